"""Performed sets: stored once each, read newest first in pages or oldest first to learn from.

Who writes holds the lifter (`lifters.lock_lifter`). Positions and bounds are microseconds since 1970.
"""

from collections.abc import AsyncIterator, Collection, Sequence
from typing import Any
from uuid import UUID

from msgspec import Struct
from sqlalchemy import ColumnElement, and_, delete, literal, select, tuple_, update

from service.rules.learning.known import Micros, micros_of
from service.rules.learning.performed import PerformedSet, instant_of
from service.storage.engine import Reading, Writing
from service.storage.performed_rows import CONTENT, instant_at, performed_of, row_of, same_content
from service.storage.rows import insert_rows
from service.storage.schema import performed_sets
from service.storage.tenancy import of_seen_lifter

Position = tuple[Micros, UUID]

CHUNK = 1000
_PLACE = (performed_sets.c.performed_at, performed_sets.c.set_id)


class Inserted(Struct, frozen=True, kw_only=True):
    """What became of a batch of sets.

    `new` and `known` are set ids: stored now, and stored before with equal content. `conflicting` are places in the
    batch, from 0, whose id is taken by other content, stored or earlier in the batch. `new_sets` holds each of `new`
    once, oldest first by (`performed_at`, `set_id`): ready to learn from.
    """

    new: frozenset[UUID]
    known: frozenset[UUID]
    conflicting: tuple[int, ...]
    new_sets: tuple[PerformedSet, ...]


class Page(Struct, frozen=True, kw_only=True):
    """Sets, newest first, and the `cursor` of the page after this one; None when this is the last."""

    sets: tuple[PerformedSet, ...]
    next: Position | None


def position_of(performed: PerformedSet) -> Position:
    """Where a stored set stands in the order of (`performed_at`, `set_id`). Raises ValueError without an id."""
    if performed.set_id is None:
        raise ValueError("a set without set_id has no place")
    return micros_of(instant_of(performed.performed_at)), performed.set_id


async def insert_sets(w: Writing, tenant_id: UUID, lifter_id: str, sets: Sequence[PerformedSet]) -> Inserted:
    """Stores valid sets, each with its `set_id`; those that are there already are left as they are.

    With any `conflicting` the others are stored all the same: raise, and the whole transaction is undone. The lifter
    is held and exists. Raises StorageUnavailable.
    """
    first: dict[UUID, PerformedSet] = {}
    for performed in sets:
        first.setdefault(position_of(performed)[1], performed)
    if not first:
        return Inserted(new=frozenset(), known=frozenset(), conflicting=(), new_sets=())
    inserted = await insert_rows(
        w,
        performed_sets,
        [row_of(tenant_id, lifter_id, performed) for performed in first.values()],
        on_conflict="keep",
        returning=(performed_sets.c.set_id,),
    )
    new = frozenset(row.set_id for row in inserted)
    stored = await _stored(w, tenant_id, lifter_id, first.keys() - new)
    kept = first | stored
    conflicting = tuple(
        place for place, told in enumerate(sets) if not same_content(told, kept[position_of(told)[1]])
    )
    differing = {sets[place].set_id for place in conflicting}
    return Inserted(
        new=new,
        known=frozenset(stored) - differing,
        conflicting=conflicting,
        new_sets=tuple(sorted((first[set_id] for set_id in new), key=position_of)),
    )


async def find_set(
    session: Reading | Writing, tenant_id: UUID, lifter_id: str, set_id: UUID
) -> PerformedSet | None:
    """The set, or None. Raises StorageUnavailable."""
    return (await _stored(session, tenant_id, lifter_id, {set_id})).get(set_id)


async def replace_set(w: Writing, tenant_id: UUID, lifter_id: str, performed: PerformedSet) -> bool:
    """Stores the set in place of the one with its `set_id`; False when there is none. Raises StorageUnavailable."""
    row = row_of(tenant_id, lifter_id, performed)
    result = await w.execute(
        update(performed_sets)
        .where(_of(w, tenant_id, lifter_id), performed_sets.c.set_id == row["set_id"])
        .values({column: row[column.name] for column in CONTENT})
    )
    return result.rowcount == 1


async def delete_set(w: Writing, tenant_id: UUID, lifter_id: str, set_id: UUID) -> bool:
    """Deletes the set; False when there is none. Raises StorageUnavailable."""
    result = await w.execute(
        delete(performed_sets).where(_of(w, tenant_id, lifter_id), performed_sets.c.set_id == set_id)
    )
    return result.rowcount == 1


async def page_of_sets(
    session: Reading | Writing,
    tenant_id: UUID,
    lifter_id: str,
    *,
    limit: int,
    cursor: Position | None = None,
    exercise: str | None = None,
    from_: Micros | None = None,
    to: Micros | None = None,
) -> Page:
    """Up to `limit` sets older than `cursor`, newest first by (`performed_at`, `set_id`).

    Of one exercise when named; performed at `from_` or later and before `to`. Any number is a position. Raises
    StorageUnavailable.
    """
    bounds = [_of(session, tenant_id, lifter_id)]
    if exercise is not None:
        bounds.append(performed_sets.c.exercise == exercise)
    # Of two upper bounds only the lower: given both, a database may start at the higher and read its way down.
    if cursor is not None and (to is None or cursor[0] < to):
        bounds += [*_between(from_, None), tuple_(*_PLACE) < _place(cursor)]
    else:
        bounds += _between(from_, to)
    newest_first = [column.desc() for column in _PLACE]
    found = await session.execute(select(*CONTENT).where(*bounds).order_by(*newest_first).limit(limit + 1))
    sets = tuple(performed_of(row) for row in found)
    more = len(sets) > limit
    return Page(sets=sets[:limit], next=position_of(sets[limit - 1]) if more else None)


async def sets_after(
    session: Reading | Writing,
    tenant_id: UUID,
    lifter_id: str,
    after: Position | None,
    *,
    until: Micros | None = None,
    limit: int = CHUNK,
) -> tuple[PerformedSet, ...]:
    """Up to `limit` sets newer than `after`, or the oldest, oldest first by (`performed_at`, `set_id`).

    With `until` only those performed then or before. Raises StorageUnavailable.
    """
    bounds = [_of(session, tenant_id, lifter_id)]
    if until is not None:
        bounds.append(performed_sets.c.performed_at <= instant_at(until))
    if after is not None:
        bounds.append(tuple_(*_PLACE) > _place(after))
    found = await session.execute(select(*CONTENT).where(*bounds).order_by(*_PLACE).limit(limit))
    return tuple(performed_of(row) for row in found)


async def sets_oldest_first(
    session: Reading | Writing, tenant_id: UUID, lifter_id: str, *, until: Micros | None = None
) -> AsyncIterator[PerformedSet]:
    """Every set, or those performed at `until` or before, by (`performed_at`, `set_id`). Raises StorageUnavailable.

    A thousand at a time are in memory, however many there are.
    """
    after: Position | None = None
    while True:
        sets = await sets_after(session, tenant_id, lifter_id, after, until=until)
        for performed in sets:
            yield performed
        if len(sets) < CHUNK:
            return
        after = position_of(sets[-1])


async def _stored(
    session: Reading | Writing, tenant_id: UUID, lifter_id: str, set_ids: Collection[UUID]
) -> dict[UUID, PerformedSet]:
    if not set_ids:
        return {}
    found = await session.execute(
        select(*CONTENT).where(
            _of(session, tenant_id, lifter_id), performed_sets.c.set_id.in_(sorted(set_ids))
        )
    )
    return {row.set_id: performed_of(row) for row in found}


def _of(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> ColumnElement[bool]:
    return and_(
        performed_sets.c.tenant_id == tenant_id,
        performed_sets.c.lifter_id == lifter_id,
        of_seen_lifter(session, tenant_id, lifter_id),
    )


def _between(from_: Micros | None, to: Micros | None) -> list[ColumnElement[bool]]:
    bounds: list[ColumnElement[bool]] = []
    if from_ is not None:
        bounds.append(performed_sets.c.performed_at >= instant_at(from_))
    if to is not None:
        bounds.append(performed_sets.c.performed_at < instant_at(to))
    return bounds


def _place(position: Position) -> ColumnElement[Any]:
    # A bare value in a row value does not pass through its column's type.
    micros, set_id = position
    return tuple_(
        literal(instant_at(micros), performed_sets.c.performed_at.type),
        literal(set_id, performed_sets.c.set_id.type),
    )
