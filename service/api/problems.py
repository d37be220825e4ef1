"""Errors as RFC 9457 problem details. The only place that knows which status an error becomes."""

import logging
from typing import Annotated, Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException
from msgspec import Meta, Struct

from service.api.html_answers import sent, wants_fault_page
from service.api.methods import allowed_methods
from service.api.problem_types import PROBLEM_TYPES, ProblemType
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
    ServiceError,
    StillRunning,
    StorageUnavailable,
    TookTooLong,
    TooManyRequests,
    Unauthenticated,
    Unreadable,
)
from service.observability.logs import logged_request_id
from service.reference.problem_pages import fault_page

PROBLEM_JSON = "application/problem+json"
RETRY_AFTER_SECONDS = 5
_log = logging.getLogger("service.api")


class ProblemEntry(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One bad place: a `pointer` into the body, the name of a query `parameter` or `header`, or a failing `check`."""

    pointer: Annotated[str, Meta(description="JSON Pointer fragment, e.g. `#/rep_target`.")] | None = None
    parameter: str | None = None
    header: str | None = None
    check: Annotated[str, Meta(description="Check of /health/ready that fails.")] | None = None
    detail: Annotated[str, Meta(description="What is wrong and how to mend it.")]


class Problem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What went wrong (RFC 9457). `type` resolves to a page that says how to mend it."""

    type: Annotated[str, Meta(description="Address of the problem type.")]
    title: str
    status: int
    detail: str
    instance: Annotated[str, Meta(description="Path of the request.")]
    request_id: str
    errors: Annotated[tuple[ProblemEntry, ...], Meta(description="Every bad place.")] = ()

    @property
    def slug(self) -> str:
        """Last part of `type`."""
        return self.type.rpartition("/")[2]


_SLUGS: tuple[tuple[type[ServiceError], str], ...] = (
    (InputRefused, "invalid-input"),
    (Unreadable, "unreadable-body"),
    (MediaTypeRefused, "unsupported-media-type"),
    (BodyTooLarge, "body-too-large"),
    (NotFound, "not-found"),
    (Gone, "gone"),
    (Conflicting, "conflict"),
    (StillRunning, "conflict"),
    (PreconditionFailed, "precondition-failed"),
    (Unauthenticated, "unauthenticated"),
    (Forbidden, "missing-scope"),
    (BoundToSites, "bound-to-sites"),
    (TooManyRequests, "too-many-requests"),
    (BodyTooSlow, "body-too-slow"),
    (NotReady, "not-ready"),
    (Overloaded, "overloaded"),
    (TookTooLong, "took-too-long"),
    (StorageUnavailable, "store-unavailable"),
)
_BY_STATUS = {kind.status: kind for kind in PROBLEM_TYPES.values()}


def _entry(fault: Fault) -> ProblemEntry:
    return ProblemEntry(**{fault.where: fault.place}, detail=fault.detail)


def _kind(error: Exception) -> ProblemType:
    for kind, slug in _SLUGS:
        if isinstance(error, kind):
            return PROBLEM_TYPES[slug]
    if isinstance(error, HTTPException):
        return _BY_STATUS.get(error.status_code, PROBLEM_TYPES["internal-error"])
    return PROBLEM_TYPES["internal-error"]


def problem_of(error: Exception, *, instance: str, request_id: str) -> Problem:
    """Return the problem an error becomes. Unknown errors say nothing of themselves."""
    kind = _kind(error)
    detail = str(error) if isinstance(error, ServiceError) else kind.meaning
    errors: tuple[ProblemEntry, ...] = ()
    if isinstance(error, InputRefused | Conflicting | NotReady):
        errors = tuple(map(_entry, error.faults))
    if isinstance(error, InputRefused | Conflicting):
        places = "one place" if len(errors) == 1 else f"{len(errors)} places"
        wrong = "is not valid" if isinstance(error, InputRefused) else "contradicts what is stored"
        detail = f"The request {wrong} in {places}."
    return Problem(
        type=f"/problems/{kind.slug}",
        title=kind.title,
        status=kind.status,
        detail=detail,
        instance=instance[:200],
        request_id=request_id,
        errors=errors,
    )


def _headers(error: Exception, status: int, path: str, app: Any) -> dict[str, str]:
    headers = {"cache-control": "no-store"}
    if status == PROBLEM_TYPES["unauthenticated"].status:
        headers["www-authenticate"] = 'Bearer realm="effort"'
    if status == PROBLEM_TYPES["method-not-allowed"].status:
        headers["allow"] = ", ".join(allowed_methods(app, path))
    if isinstance(error, StillRunning | StorageUnavailable | NotReady):
        headers["retry-after"] = str(RETRY_AFTER_SECONDS)
    if isinstance(error, TooManyRequests):
        headers["retry-after"] = str(error.retry_after_seconds)
    return headers


def on_error(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """Turn any exception into a problem response; log what was not raised on purpose."""
    request_id = request.scope.get("effort_request_id", "")
    problem = problem_of(error, instance=request.scope["path"], request_id=str(request_id))
    request.scope["effort_problem"] = problem.slug  # type: ignore[typeddict-unknown-key]  # ours
    if problem.status == PROBLEM_TYPES["internal-error"].status:
        told = logged_request_id(str(request_id), request.scope["path"], request.scope.get("path_template"))
        _log.error("request %s failed", told, exc_info=error, extra={"told": {"request_id": told}})
    headers = _headers(error, problem.status, request.scope["path"], request.app)
    if wants_fault_page(request):
        kind = PROBLEM_TYPES[problem.slug]
        shown = fault_page(
            kind.slug, kind.title, kind.mend, told=problem.detail, request_id=problem.request_id
        )
        return sent(shown, status=problem.status, headers=headers | {"vary": "Accept"})
    return Response(
        content=msgspec.json.encode(problem),
        status_code=problem.status,
        media_type=PROBLEM_JSON,
        headers=headers,
    )
