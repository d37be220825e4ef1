"""What a fault did: the journal of the clients against the rows of the database."""

from collections import Counter
from collections.abc import Iterable
from uuid import UUID

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.rules.learning.fold import learn_all
from service.rules.learning.performed import PerformedSet
from service.storage.audit import page_of_entries
from service.storage.engine import Reading, Store, close_store, open_store, reading
from service.storage.keys import find_tenant
from service.storage.performed_sets import sets_oldest_first
from service.storage.summaries import load_known
from service.storage.tenancy import tenant_reading
from tests.ops.journal import Exchange

POLICIES = load_policies()
BASIS = Basis(policy=POLICIES.newest, numbers=load_learning(POLICIES.newest))
MOST_ENTRIES = 1_000_000
Place = tuple[str, str]  # a gym and one of its lifters


class Stored(Struct, frozen=True, kw_only=True):
    """All rows of one lifter: sets oldest first, whether the summary is what they teach, and what the audit says.

    `audited` holds how many sets each request stored, as the audit has it; None where it is not asked.
    """

    sets: tuple[PerformedSet, ...]
    summary_is_right: bool
    audited: tuple[int, ...] | None = None


class Verdict(Struct, frozen=True, kw_only=True):
    """Counts of sets, and one line for each fault found."""

    acknowledged: int
    unknown: int
    stored: int
    lost: int
    faults: tuple[str, ...]


def judge(exchanges: Iterable[Exchange], stored: dict[Place, Stored]) -> Verdict:
    """Return what is wrong with the rows, given what clients were told.

    An acknowledged request has each of its sets stored exactly once, under its lifter and under the id it was told; an
    unknown one has all of them or none. Nothing else is stored, every summary equals the recomputation, and the audit
    has one entry for each stored request.
    """
    faults: list[str] = []
    rows = {place: Counter(each.note for each in kept.sets) for place, kept in stored.items()}
    asked: dict[Place, set[str]] = {place: set() for place in stored}
    kept_of: dict[Place, list[int]] = {place: [] for place in stored}
    acknowledged = unknown = lost = 0
    for exchange in exchanges:
        place = exchange.sent.tenant, exchange.sent.lifter_id
        asked.setdefault(place, set()).update(exchange.sent.notes)
        counts = [rows.get(place, Counter())[note] for note in exchange.sent.notes]
        if any(counts):
            kept_of[place].append(sum(counts))
        if exchange.is_acknowledged:
            acknowledged += len(counts)
            lost += counts.count(0)
        else:
            unknown += len(counts)
        faults += _faults(exchange, counts, stored.get(place))
    for place, kept in stored.items():
        if not kept.summary_is_right:
            faults.append(f"summary of {place} is not what the sets teach")
        if kept.audited is not None and sorted(kept.audited) != sorted(kept_of[place]):
            faults.append(f"the audit of {place} is not what is stored")
        faults += [
            f"{place} holds {note!r}, which nobody sent" for note in rows[place] if note not in asked[place]
        ]
    total = sum(len(kept.sets) for kept in stored.values())
    return Verdict(acknowledged=acknowledged, unknown=unknown, stored=total, lost=lost, faults=tuple(faults))


def _faults(exchange: Exchange, counts: list[int], stored: Stored | None) -> list[str]:
    number = exchange.sent.number
    found = []
    if any(count > 1 for count in counts):
        found.append(f"request {number} is stored more than once")
    if 0 in counts and any(counts):
        found.append(f"request {number} is stored in part")
    if exchange.is_acknowledged:
        if 0 in counts:
            found.append(f"request {number} was acknowledged and is lost")
        elif not _ids_told(exchange) <= {each.set_id for each in (stored.sets if stored else ())}:
            found.append(f"request {number} is stored under other ids than it was told")
    if len({answer.body for answer in exchange.answers}) > 1:
        found.append(f"request {number} was answered in two ways")
    return found


def _ids_told(exchange: Exchange) -> set[UUID]:
    told = msgspec.json.decode(exchange.answers[0].body)
    return {UUID(each) for each in told["set_ids"]}


async def stored_at(url: str, places: Iterable[Place], *, audited: bool) -> dict[Place, Stored]:
    """Return the rows of the lifters at `places`, read from the database itself."""
    store = open_store(url)
    try:
        return {place: await _stored(store, *place, audited=audited) for place in sorted(set(places))}
    finally:
        await close_store(store)


async def _stored(store: Store, tenant: str, lifter_id: str, *, audited: bool) -> Stored:
    async with reading(store) as session:
        tenant_id = await find_tenant(session, tenant)
    assert tenant_id is not None
    async with tenant_reading(store, tenant_id) as session:
        rows = await _rows(session, tenant_id, lifter_id)
        return replace(rows, audited=await _audited(session, tenant_id, lifter_id)) if audited else rows


async def _audited(session: Reading, tenant_id: UUID, lifter_id: str) -> tuple[int, ...]:
    entries = await page_of_entries(
        session, tenant_id, limit=MOST_ENTRIES, operation="createSets", lifter_id=lifter_id
    )
    return tuple(entry.sets for entry in entries.entries)


async def _rows(session: Reading, tenant_id: UUID, lifter_id: str) -> Stored:
    sets = tuple([each async for each in sets_oldest_first(session, tenant_id, lifter_id)])
    summary = await load_known(session, tenant_id, lifter_id, exercises=None, muscles=None, weeks=None)
    right = summary.known == learn_all(sets, BASIS.policy, BASIS.numbers)
    return Stored(sets=sets, summary_is_right=right)


async def examined(url: str, exchanges: list[Exchange], *, audited: bool = True) -> Verdict:
    """Return the verdict on the database at `url`, given what was sent to it; `audited` asks the audit, too."""
    places = [(each.sent.tenant, each.sent.lifter_id) for each in exchanges]
    return judge(exchanges, await stored_at(url, places, audited=audited))
