"""Lifters: what is told about them once, and their erasure. The id is the caller's own pseudonym."""

from typing import Annotated, Any

from litestar import Request, Response, delete, get, put
from litestar.params import JSONBody, PathParameter
from msgspec import Meta, Struct

from service.api.admission import matching
from service.api.answers import answer
from service.api.auditing import audited
from service.api.clock import now
from service.api.conditional import (
    ETAG_HEADER,
    IF_MATCH,
    IF_NONE_MATCH,
    etag_of,
    require_match,
    require_none_match,
)
from service.api.keyring import principal_of
from service.api.lifter_sites import ToldProfile, chosen_site
from service.api.preferences import APPLIED_HEADER, PREFER, written
from service.api.whole_faults import context_faults
from service.errors import NotFound
from service.rules.context import Caution, Experience, Goal
from service.storage.lifters import LifterRow, erase_lifter, find_lifter, lock_lifter, put_lifter
from service.storage.tenancy import reading_within, writing_within

TAGS = ["Lifters"]
LIFTER_ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}\Z"
LIFTER_PATH = {
    "lifter_id": matching(
        LIFTER_ID_PATTERN,
        "1 to 64 letters, digits and _ . : - , starting with a letter or digit",
        "The caller's own pseudonym of a lifter; never a name.",
    )
}
RECEIPT_HEADER = {
    "Effort-Erasure-Receipt": {
        "description": "Id of the entry about the erasure in the audit; keep it as proof.",
        "schema": {"type": "string", "format": "uuid"},
    }
}
LifterId = Annotated[str, PathParameter(description="Your own pseudonym of the lifter; never a name.")]


class LifterProfile(Struct, frozen=True, kw_only=True):
    """What was told about a lifter once; null where nothing was."""

    lifter_id: str
    experience: Experience | None
    goal: Goal | None
    cautions: tuple[Caution, ...]
    site: Annotated[
        str | None, Meta(description="Site the lifter belongs to; keys of other sites do not see it.")
    ]


def profile_of(lifter: LifterRow) -> LifterProfile:
    """Return a lifter's profile as the API shows it."""
    return LifterProfile(
        lifter_id=lifter.lifter_id,
        experience=lifter.experience,
        goal=lifter.goal,
        cautions=lifter.cautions,
        site=lifter.site,
    )


def unknown_lifter() -> NotFound:
    """Return the error for a lifter who is not there, or another tenant's or site's."""
    return NotFound("no lifter of this id; a profile or a first set makes one")


@put(
    "/v1/lifters/{lifter_id:str}",
    operation_id="putLifter",
    summary="Make a lifter or change the profile",
    tags=TAGS,
    scopes=("history:write",),
    body=ToldProfile,
    rules=context_faults,
    rules_always=True,
    path_rules=LIFTER_PATH,
    headers=IF_MATCH | IF_NONE_MATCH | PREFER,
    problems=(412,),
    statuses=(200, 201, 204),
    answer_headers=ETAG_HEADER | APPLIED_HEADER,
)
async def put_profile(
    request: Request[Any, Any, Any], lifter_id: LifterId, data: JSONBody[ToldProfile]
) -> Response[LifterProfile]:
    """Replaces the whole profile: what is left out is unknown from now on, but `site` stays. 201: the lifter is new.

    An id that a lifter of another site has is 404 for a key bound to sites.
    """
    caller, moment = principal_of(request), now()
    async with writing_within(request.app.state.store, caller.reach) as w:
        present = await lock_lifter(w, caller.tenant_id, lifter_id, create=False, now=moment)
        site = await chosen_site(w, caller, data.site, present)
        profile = None if present is None else profile_of(present)
        require_match(request, profile)
        require_none_match(request, profile)
        row, new = await put_lifter(
            w,
            caller.tenant_id,
            lifter_id,
            experience=data.experience,
            goal=data.goal,
            cautions=data.cautions or (),
            site=site,
            now=moment,
        )
        if row.updated_at == moment:  # else this profile was there before
            await audited(w, request, "created" if new else "changed", at=moment, lifter_id=lifter_id)
    profile = profile_of(row)
    return written(request, profile, status=201 if new else 200, headers={"etag": etag_of(profile)})


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
    caller = principal_of(request)
    async with reading_within(request.app.state.store, caller.reach) as r:
        row = await find_lifter(r, caller.tenant_id, lifter_id)
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
    headers=IF_MATCH,
    problems=(412,),
    statuses=(204,),
    answer_headers=RECEIPT_HEADER,
)
async def delete_lifter(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[None]:
    """Erases everything of the lifter, for good: profile, sets, what was learned, kept answers.

    The receipt names the entry about it in the audit (`GET /v1/audit/{entry_id}`): when, by whom, how many sets. The
    entry holds nothing of the lifter. Backups keep what they hold until they are deleted.
    """
    caller = principal_of(request)
    async with writing_within(request.app.state.store, caller.reach) as w:
        present = await lock_lifter(w, caller.tenant_id, lifter_id, create=False, now=now())
        if present is not None:
            require_match(request, profile_of(present))
        erased = await erase_lifter(w, caller.tenant_id, lifter_id)
        if erased is None:
            raise unknown_lifter()
        receipt = await audited(w, request, "erased", at=now(), lifter_id=lifter_id, sets=erased.sets)
    headers = {"cache-control": "no-store", "effort-erasure-receipt": str(receipt)}
    return Response(content=None, status_code=204, headers=headers)
