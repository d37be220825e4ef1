"""One performed set: reading, correcting, deleting. Whatever changes, what was learned is made anew."""

from typing import Annotated, Any
from uuid import UUID

from litestar import Request, Response, delete, get, put
from litestar.params import JSONBody, PathParameter
from msgspec.structs import replace

from service.api.admission import matching
from service.api.answers import answer
from service.api.auditing import audited
from service.api.clock import now
from service.api.conditional import ETAG_HEADER, IF_MATCH, etag_of, require_match
from service.api.keyring import principal_of
from service.api.learned import learn_anew
from service.api.lifters import LIFTER_PATH, LifterId
from service.api.preferences import APPLIED_HEADER, PREFER, written
from service.api.whole_faults import set_faults
from service.errors import NotFound
from service.rules.learning.performed import PerformedSet, SetAsDone
from service.storage.engine import Writing
from service.storage.lifters import lock_lifter
from service.storage.performed_sets import delete_set as delete_stored
from service.storage.performed_sets import find_set, replace_set
from service.storage.tenancy import reading_within, writing_within

TAGS = ["Performed sets"]
SET_PATH = {
    **LIFTER_PATH,
    "set_id": matching(
        r"^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}\Z",
        "a UUID",
        "Id of the set.",
        format="uuid",
    ),
}
SetId = Annotated[str, PathParameter(description="Id of the set, as POST answered.")]


def unknown_set() -> NotFound:
    """Return the error for a set that is not there, or another tenant's or site's."""
    return NotFound("this lifter has no set of this id")


async def _held_set(
    w: Writing, request: Request[Any, Any, Any], tenant_id: UUID, lifter_id: str, set_id: UUID
) -> PerformedSet:
    """Return the stored set of a lifter who is held from now on. Raises NotFound, PreconditionFailed."""
    await lock_lifter(w, tenant_id, lifter_id, create=False, now=now())
    present = await find_set(w, tenant_id, lifter_id, set_id)
    if present is None:
        raise unknown_set()
    require_match(request, present)
    return present


@get(
    "/v1/lifters/{lifter_id:str}/sets/{set_id:str}",
    operation_id="getSet",
    summary="Read one set",
    tags=TAGS,
    scopes=("history:read",),
    path_rules=SET_PATH,
    answer_headers=ETAG_HEADER,
)
async def get_set(
    request: Request[Any, Any, Any], lifter_id: LifterId, set_id: SetId
) -> Response[PerformedSet]:
    """The set as it is stored."""
    reach = principal_of(request).reach
    async with reading_within(request.app.state.store, reach) as r:
        found = await find_set(r, reach.tenant_id, lifter_id, UUID(set_id))
    if found is None:
        raise unknown_set()
    return answer(request, found, headers={"etag": etag_of(found)})


@put(
    "/v1/lifters/{lifter_id:str}/sets/{set_id:str}",
    operation_id="putSet",
    summary="Correct one set",
    tags=TAGS,
    scopes=("history:write",),
    body=PerformedSet,
    documented_body=SetAsDone,  # an id in it has to be the path's, which no schema can say
    json_body=True,  # MessagePack is read as everywhere; generators that see it beside examples of ids cannot write it
    rules=set_faults,
    rules_always=True,
    rules_read_path=True,
    path_rules=SET_PATH,
    headers=IF_MATCH | PREFER,
    problems=(412,),
    statuses=(200, 204),
    answer_headers=ETAG_HEADER | APPLIED_HEADER,
)
async def put_set(
    request: Request[Any, Any, Any], lifter_id: LifterId, set_id: SetId, data: JSONBody[PerformedSet]
) -> Response[PerformedSet]:
    """Replaces the whole set, which must exist. A `set_id` in the body must be the one of the path."""
    reach, wanted = principal_of(request).reach, replace(data, set_id=UUID(set_id))
    tenant_id = reach.tenant_id
    async with writing_within(request.app.state.store, reach) as w:
        present = await _held_set(w, request, tenant_id, lifter_id, UUID(set_id))
        await replace_set(w, tenant_id, lifter_id, wanted)
        await learn_anew(w, tenant_id, lifter_id, request.app.state.basis)
        stored = await find_set(w, tenant_id, lifter_id, UUID(set_id)) or wanted
        if stored != present:
            await audited(w, request, "changed", at=now(), lifter_id=lifter_id, sets=1)
    return written(request, stored, headers={"etag": etag_of(stored)})


@delete(
    "/v1/lifters/{lifter_id:str}/sets/{set_id:str}",
    operation_id="deleteSet",
    summary="Delete one set",
    tags=TAGS,
    status_code=204,
    scopes=("history:write",),
    path_rules=SET_PATH,
    headers=IF_MATCH,
    problems=(412,),
    statuses=(204,),
)
async def delete_set(request: Request[Any, Any, Any], lifter_id: LifterId, set_id: SetId) -> Response[None]:
    """Deletes the set; its id may be used again."""
    reach = principal_of(request).reach
    tenant_id = reach.tenant_id
    async with writing_within(request.app.state.store, reach) as w:
        await _held_set(w, request, tenant_id, lifter_id, UUID(set_id))
        await delete_stored(w, tenant_id, lifter_id, UUID(set_id))
        await learn_anew(w, tenant_id, lifter_id, request.app.state.basis)
        await audited(w, request, "deleted", at=now(), lifter_id=lifter_id, sets=1)
    return Response(content=None, status_code=204, headers={"cache-control": "no-store"})
