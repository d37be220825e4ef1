"""An example answer for each problem type, made by the code that makes the real ones."""

from functools import lru_cache

import msgspec
from litestar.exceptions import MethodNotAllowedException

from service.api.problem_types import PROBLEM_TYPES
from service.api.problems import problem_of
from service.errors import (
    BodyTooLarge,
    BodyTooSlow,
    BoundToSites,
    Conflicting,
    Fault,
    Forbidden,
    Gone,
    InputRefused,
    MediaTypeRefused,
    NotFound,
    NotReady,
    Overloaded,
    PreconditionFailed,
    StorageUnavailable,
    TookTooLong,
    TooManyRequests,
    Unauthenticated,
    Unreadable,
)
from service.reference.problem_pages import ProblemTold

ONE_SET, LIFTER = "/v1/prescriptions", "/v1/lifters/lark-4"
_WRONG = (
    Fault("#/rep_target", "must be a whole number from 1 to 50 [repetitions], not 0"),
    Fault("#/exercise_order", "6 is more than exercises_in_session (5)"),
    Fault("detial", "unknown query parameter; known: detail", "parameter"),
)
_RAISED: tuple[tuple[str, Exception, str], ...] = (
    ("unreadable-body", Unreadable("the body is empty"), ONE_SET),
    (
        "unauthenticated",
        Unauthenticated("send Authorization: Bearer <API key or token> with a live one"),
        ONE_SET,
    ),
    ("missing-scope", Forbidden("history:read"), f"{LIFTER}/state"),
    (
        "bound-to-sites",
        BoundToSites("this API key is bound to sites; use one of the whole tenant"),
        "/v1/audit",
    ),
    ("not-found", NotFound("no evidence of this key; GET /v1/evidence lists all"), "/v1/evidence/NONE"),
    ("method-not-allowed", MethodNotAllowedException(), "/v1/policies"),
    ("body-too-slow", BodyTooSlow("the body did not arrive within 30 s"), f"{LIFTER}/sets"),
    (
        "conflict",
        Conflicting((Fault("#/sets/1/set_id", "this set_id is taken by a set with other content"),)),
        f"{LIFTER}/sets",
    ),
    ("gone", Gone("the operation has ended; use POST /v1/prescriptions"), "/v1/prescribe-once"),
    (
        "precondition-failed",
        PreconditionFailed("it was changed since it was read; read it again and send its ETag in If-Match"),
        LIFTER,
    ),
    ("body-too-large", BodyTooLarge("the body is over 2097152 bytes"), "/v1/prescriptions/batch"),
    (
        "unsupported-media-type",
        MediaTypeRefused("send Content-Type application/json or application/vnd.msgpack"),
        ONE_SET,
    ),
    ("invalid-input", InputRefused(_WRONG), ONE_SET),
    ("too-many-requests", TooManyRequests(12), ONE_SET),
    ("internal-error", RuntimeError(), ONE_SET),
    ("not-ready", NotReady((Fault("database", "does not answer", "check"),)), "/health/ready"),
    ("overloaded", Overloaded("too many requests at once; try again shortly"), ONE_SET),
    ("took-too-long", TookTooLong("no answer could be given within 30 s"), "/v1/plan-prescriptions"),
    ("store-unavailable", StorageUnavailable("the database cannot be reached"), f"{LIFTER}/state"),
)


@lru_cache(maxsize=1)
def problems_told() -> dict[str, ProblemTold]:
    """Return every problem type by its slug, with an example answer."""
    return {
        slug: ProblemTold(*PROBLEM_TYPES[slug], example=_answer(error, path)) for slug, error, path in _RAISED
    }


def _answer(error: Exception, path: str) -> str:
    problem = problem_of(error, instance=path, request_id="0193f8a4-7c00-7000-8000-0000000000aa")
    return msgspec.json.format(msgspec.json.encode(problem), indent=2).decode()
