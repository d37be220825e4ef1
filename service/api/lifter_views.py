"""What was learned of a lifter, what was done against what was prescribed, and everything for taking away."""

from collections.abc import AsyncIterator
from typing import Any

import msgspec
from litestar import Request, Response, get
from litestar.response import Stream

from service.api.admission import instant, whole
from service.api.answers import NDJSON, answer
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.learned import Wanted, acquaint
from service.api.lifters import LIFTER_PATH, LifterId, LifterProfile, profile_of, unknown_lifter
from service.pictures.review import draw_review
from service.rules.learning.basis import Basis
from service.rules.learning.known import micros_of
from service.rules.learning.performed import PerformedSet, instant_of
from service.rules.learning.review import Review, review_of, weeks_until
from service.rules.learning.state import state_of
from service.rules.learning.view import LifterState
from service.storage.engine import Store
from service.storage.lifters import find_lifter
from service.storage.performed_sets import CHUNK, Position, position_of, sets_after
from service.storage.tenancy import Reach, reading_within

TAGS = ["What was learned"]
MOST_WEEKS, WEEKS = 104, 8


@get(
    "/v1/lifters/{lifter_id:str}/state",
    operation_id="getState",
    summary="Read what was learned of a lifter",
    tags=TAGS,
    scopes=("history:read",),
    path_rules=LIFTER_PATH,
    query={"at": instant("The instant to look from; default: now.")},
)
async def get_state(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[LifterState]:
    """Exposures, 1RM [kg] and capacity by exercise, recovery and failure share by muscle, reporting bias.

    Depends on the stored sets alone, never on the order they came in. `reporting_bias` holds for sets of 7-12
    repetitions with 2-3 in reserve.
    """
    basis: Basis = request.app.state.basis
    asked = request.query_params.get("at")
    found = await acquaint(
        request.app.state.store,
        principal_of(request).reach,
        lifter_id,
        Wanted(exercises=None, muscles=None),
        basis,
        now=now(),
        at=None if asked is None else micros_of(instant_of(asked)),
    )
    if found.lifter is None:
        raise unknown_lifter()
    novice = found.lifter.experience == "novice"
    state = state_of(
        lifter_id, found.known, found.at, novice=novice, policy=basis.policy, numbers=basis.numbers
    )
    return answer(request, state)


@get(
    "/v1/lifters/{lifter_id:str}/review",
    operation_id="getReview",
    summary="Compare prescribed with done",
    tags=TAGS,
    scopes=("history:read",),
    path_rules=LIFTER_PATH,
    query={"weeks": whole(1, MOST_WEEKS, WEEKS, "Latest ISO weeks (UTC), this one included.")},
    picture=True,
)
async def get_review(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[Review]:
    """By week and exercise: reserve prescribed and done, how sets ended, bias in verified sets; failure by muscle."""
    count, moment = int(request.query_params.get("weeks", WEEKS)), now()
    found = await acquaint(
        request.app.state.store,
        principal_of(request).reach,
        lifter_id,
        Wanted(weeks=None),
        request.app.state.basis,
        now=moment,
    )
    if found.lifter is None:
        raise unknown_lifter()
    review = review_of(lifter_id, found.known, weeks_until(found.at, count))
    return answer(request, review, picture=draw_review)


def _line(kind: str, value: LifterProfile | PerformedSet | dict[str, int]) -> bytes:
    return msgspec.json.encode({"type": kind, **msgspec.to_builtins(value)}) + b"\n"


async def _lines(store: Store, reach: Reach, profile: LifterProfile) -> AsyncIterator[bytes]:
    yield _line("lifter", profile)
    sent, after = 0, None
    while True:
        sets = await _chunk(store, reach, profile.lifter_id, after)
        sent += len(sets)
        yield b"".join(_line("set", each) for each in sets)
        if len(sets) < CHUNK:
            break
        after = position_of(sets[-1])
    yield _line("end", {"sets": sent})


async def _chunk(
    store: Store, reach: Reach, lifter_id: str, after: Position | None
) -> tuple[PerformedSet, ...]:
    # A transaction for each chunk: a slow reader holds no connection.
    async with reading_within(store, reach) as r:
        return await sets_after(r, reach.tenant_id, lifter_id, after)


@get(
    "/v1/lifters/{lifter_id:str}/export",
    operation_id="exportLifter",
    summary="Take away everything of a lifter",
    tags=TAGS,
    scopes=("history:read",),
    path_rules=LIFTER_PATH,
    media_type_only=NDJSON,
)
async def export_lifter(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[str]:
    """JSON lines: the lifter, every set oldest first, and an end line with their number, so that a cut is seen.

    `effort import` takes it as it is.
    """
    store, reach = request.app.state.store, principal_of(request).reach
    async with reading_within(store, reach) as r:
        row = await find_lifter(r, reach.tenant_id, lifter_id)
    if row is None:
        raise unknown_lifter()
    headers = {"cache-control": "no-store"}
    return Stream(_lines(store, reach, profile_of(row)), media_type=NDJSON, headers=headers)  # type: ignore[return-value]  # text, in pieces
