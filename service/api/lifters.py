"""Lifters: what is told about them once, and their erasure. The id is the caller's own pseudonym."""

from typing import Annotated, Any

from litestar import Request, Response, delete, get, put
from litestar.params import JSONBody, PathParameter
from msgspec import Struct

from service.api.admission import matching
from service.api.answers import answer
from service.api.clock import now
from service.api.conditional import ETAG_HEADER, IF_MATCH, etag_of, require_match
from service.api.keyring import principal_of
from service.api.whole_faults import context_faults
from service.errors import NotFound
from service.rules.context import Caution, Experience, Goal
from service.rules.learning.context import Profile
from service.storage.lifters import LifterRow, erase_lifter, find_lifter, lock_lifter, put_lifter
from service.storage.tenancy import tenant_reading, tenant_writing

TAGS = ["Lifters"]
LIFTER_ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}\Z"
LIFTER_PATH = {
    "lifter_id": matching(
        LIFTER_ID_PATTERN,
        "1 to 64 letters, digits and _ . : - , starting with a letter or digit",
        "The caller's own pseudonym of a lifter; never a name.",
    )
}
LifterId = Annotated[str, PathParameter(description="Your own pseudonym of the lifter; never a name.")]


class LifterProfile(Struct, frozen=True, kw_only=True):
    """What was told about a lifter once; null where nothing was."""

    lifter_id: str
    experience: Experience | None
    goal: Goal | None
    cautions: tuple[Caution, ...]


def profile_of(lifter: LifterRow) -> LifterProfile:
    """Return a lifter's profile as the API shows it."""
    return LifterProfile(
        lifter_id=lifter.lifter_id,
        experience=lifter.experience,
        goal=lifter.goal,
        cautions=lifter.cautions,
    )


def unknown_lifter() -> NotFound:
    """Return the error for a lifter who is not there, or another tenant's."""
    return NotFound("no lifter of this id; a profile or a first set makes one")


@put(
    "/v1/lifters/{lifter_id:str}",
    operation_id="putLifter",
    summary="Make a lifter or change the profile",
    tags=TAGS,
    scopes=("history:write",),
    body=Profile,
    rules=context_faults,
    rules_always=True,
    path_rules=LIFTER_PATH,
    headers=IF_MATCH,
    problems=(412,),
    statuses=(200, 201),
    never_missing=True,
    answer_headers=ETAG_HEADER,
)
async def put_profile(
    request: Request[Any, Any, Any], lifter_id: LifterId, data: JSONBody[Profile]
) -> Response[LifterProfile]:
    """Replaces the whole profile: what is left out is unknown from now on. 201 when the lifter is new."""
    caller, moment = principal_of(request), now()
    async with tenant_writing(request.app.state.store, caller.tenant_id) as w:
        present = await lock_lifter(w, caller.tenant_id, lifter_id, create=False, now=moment)
        require_match(request, None if present is None else profile_of(present))
        row, new = await put_lifter(
            w,
            caller.tenant_id,
            lifter_id,
            experience=data.experience,
            goal=data.goal,
            cautions=data.cautions or (),
            site=caller.site,
            now=moment,
        )
    profile = profile_of(row)
    return answer(request, profile, status=201 if new else 200, headers={"etag": etag_of(profile)})


@get(
    "/v1/lifters/{lifter_id:str}",
    operation_id="getLifter",
    summary="Read a lifter's profile",
    tags=TAGS,
    scopes=("history:read",),
    path_rules=LIFTER_PATH,
    answer_headers=ETAG_HEADER,
)
async def get_profile(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[LifterProfile]:
    """What was told about the lifter once. What was learned stands under `state`."""
    tenant_id = principal_of(request).tenant_id
    async with tenant_reading(request.app.state.store, tenant_id) as r:
        row = await find_lifter(r, tenant_id, lifter_id)
    if row is None:
        raise unknown_lifter()
    profile = profile_of(row)
    return answer(request, profile, headers={"etag": etag_of(profile)})


@delete(
    "/v1/lifters/{lifter_id:str}",
    operation_id="deleteLifter",
    summary="Erase a lifter",
    tags=TAGS,
    status_code=204,
    scopes=("history:write",),
    path_rules=LIFTER_PATH,
    statuses=(204,),
)
async def delete_lifter(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[None]:
    """Erases everything of the lifter, for good: profile, sets, what was learned, kept answers."""
    tenant_id = principal_of(request).tenant_id
    async with tenant_writing(request.app.state.store, tenant_id) as w:
        if not await erase_lifter(w, tenant_id, lifter_id):
            raise unknown_lifter()
    return Response(content=None, status_code=204, headers={"cache-control": "no-store"})
