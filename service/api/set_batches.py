"""Performed sets, many at once: posting a session, reading pages newest first."""

from functools import partial
from typing import Annotated, Any
from uuid import UUID

from litestar import Request, Response, get, post
from litestar.params import JSONBody
from msgspec import Meta, Struct
from msgspec.structs import replace

from service.api.admission import instant, matching, whole
from service.api.answers import answer
from service.api.auditing import audited
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.learned import take_in
from service.api.lifter_sites import hold_or_make
from service.api.lifters import LIFTER_PATH, LifterId, unknown_lifter
from service.api.list_pages import PAGE_LINKS, page_links
from service.api.preferences import APPLIED_HEADER, PREFER, written
from service.api.repeats import IDEMPOTENCY_KEY, REPLAYED_HEADER, Done, once
from service.api.whole_faults import batch_faults
from service.errors import Conflicting, Fault
from service.rules.learning.known import Micros, micros_of
from service.rules.learning.performed import PerformedSet, instant_of
from service.storage.engine import Writing
from service.storage.identifiers import new_id
from service.storage.lifters import find_lifter
from service.storage.performed_sets import Position, insert_sets, page_of_sets
from service.storage.tenancy import reading_within, writing_within

TAGS = ["Performed sets"]
MOST_SETS = 200
MOST_ON_A_PAGE, ON_A_PAGE = 500, 100
INSTANT_DIGITS, INSTANT_BITS = 16, 64  # of a cursor in hexadecimal; the set's id follows
PAGES = {
    "limit": whole(1, MOST_ON_A_PAGE, ON_A_PAGE, "Sets on a page."),
    "cursor": matching(
        r"^[0-9a-f]{48}\Z", "a cursor as `next` gives it", "Place to go on from: `next` of the page before."
    ),
    "exercise": matching(r"^[a-z0-9][a-z0-9_]{0,63}\Z", "an exercise id", "Only sets of this exercise."),
    "from": instant("Only sets performed then or later."),
    "to": instant("Only sets performed before."),
}
FIRST_SET = {"lifter_id": "$request.path.lifter_id", "set_id": "$response.body#/set_ids/0"}
LINKS = {
    name: {"operationId": name, "parameters": FIRST_SET} for name in ("getSet", "putSet", "deleteSet")
} | {
    name: {"operationId": name, "parameters": {"lifter_id": "$request.path.lifter_id"}}
    for name in ("createLifterPrescription", "getState", "getReview", "listSets", "exportLifter")
}


class SetBatch(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Sets of one lifter, best a whole session: all are stored, or none."""

    sets: Annotated[tuple[PerformedSet, ...], Meta(min_length=1, max_length=MOST_SETS)]


class SetIds(Struct, frozen=True, kw_only=True):
    """Ids of the sets sent, in their order."""

    set_ids: tuple[UUID, ...]


class SetPage(Struct, frozen=True, kw_only=True):
    """Sets, newest first by (`performed_at`, `set_id`)."""

    sets: tuple[PerformedSet, ...]
    next: Annotated[str | None, Meta(description="`cursor` of the page after this one; null on the last.")]


async def _store(
    w: Writing, request: Request[Any, Any, Any], lifter_id: str, sets: tuple[PerformedSet, ...]
) -> Done:
    caller, moment = principal_of(request), now()
    tenant_id = caller.tenant_id
    await hold_or_make(w, caller, lifter_id, now=moment)
    named = tuple(each if each.set_id else replace(each, set_id=new_id(moment)) for each in sets)
    stored = await insert_sets(w, tenant_id, lifter_id, named)
    if stored.conflicting:
        told = "this set_id is taken by a set with other content; correct that with PUT, or use a new id"
        raise Conflicting(tuple(Fault(f"#/sets/{place}/set_id", told) for place in stored.conflicting))
    if stored.new_sets:
        await take_in(w, tenant_id, lifter_id, stored.new_sets, request.app.state.basis)
        await audited(w, request, "created", at=moment, lifter_id=lifter_id, sets=len(stored.new))
    ids = SetIds(set_ids=tuple(each.set_id for each in named if each.set_id))
    return Done(status=201 if stored.new else 200, value=ids)


@post(
    "/v1/lifters/{lifter_id:str}/sets",
    operation_id="createSets",
    summary="Post performed sets",
    tags=TAGS,
    scopes=("history:write",),
    body=SetBatch,
    cost=lambda body: len(body.sets),
    rules=batch_faults,
    rules_always=True,
    path_rules=LIFTER_PATH,
    headers=IDEMPOTENCY_KEY | PREFER,
    problems=(409,),
    statuses=(201, 200, 204),
    answer_headers=REPLAYED_HEADER | APPLIED_HEADER,
    links=LINKS,
)
async def create_sets(
    request: Request[Any, Any, Any], lifter_id: LifterId, data: JSONBody[SetBatch]
) -> Response[SetIds]:
    """Stores 1 to 200 sets, all or none, and makes the lifter if new: at the key's site, where it is bound to one.

    201 when any set is new, 200 when every `set_id` was stored before with equal content; other content is 409. Without
    `set_id` and Idempotency-Key a request sent twice is stored twice. 404 when a lifter of another site has the id; a
    key bound to several sites makes no lifter here, but with PUT.
    """
    async with writing_within(request.app.state.store, principal_of(request).reach) as w:
        work = partial(_store, w, request, lifter_id, data.sets)
        done = await once(w, request, lifter_id, work, now=now())
    return written(request, done.value, status=done.status, headers=done.headers)


def cursor_of(position: Position) -> str:
    """Return a position as 48 hexadecimal digits: microseconds since 1970 in 64 bits, then the set's id."""
    micros, set_id = position
    return f"{micros % 2**INSTANT_BITS:016x}{set_id.hex}"


def position_at(cursor: str) -> Position:
    """Return the position of a cursor: any 48 hexadecimal digits are one."""
    micros = int(cursor[:INSTANT_DIGITS], 16)
    if micros >= 2 ** (INSTANT_BITS - 1):
        micros -= 2**INSTANT_BITS
    return micros, UUID(hex=cursor[INSTANT_DIGITS:])


def _micros(text: str | None) -> Micros | None:
    return None if text is None else micros_of(instant_of(text))


@get(
    "/v1/lifters/{lifter_id:str}/sets",
    operation_id="listSets",
    summary="List performed sets",
    tags=TAGS,
    scopes=("history:read",),
    path_rules=LIFTER_PATH,
    query=PAGES,
    answer_headers=PAGE_LINKS,
)
async def list_sets(request: Request[Any, Any, Any], lifter_id: LifterId) -> Response[SetPage]:
    """Pages of sets, newest first. Sets added meanwhile neither shift nor repeat what comes after a cursor."""
    reach, asked = principal_of(request).reach, request.query_params
    cursor = asked.get("cursor")
    async with reading_within(request.app.state.store, reach) as r:
        if await find_lifter(r, reach.tenant_id, lifter_id) is None:
            raise unknown_lifter()
        page = await page_of_sets(
            r,
            reach.tenant_id,
            lifter_id,
            limit=int(asked.get("limit", ON_A_PAGE)),
            cursor=None if cursor is None else position_at(cursor),
            exercise=asked.get("exercise"),
            from_=_micros(asked.get("from")),
            to=_micros(asked.get("to")),
        )
    following = None if page.next is None else cursor_of(page.next)
    headers = page_links(request, following)
    return answer(request, SetPage(sets=page.sets, next=following), headers=headers)
