"""What is known of a lifter, kept true to the stored sets: carried forward, or made anew from all of them.

Rows are made anew when a set comes late, is corrected or deleted, or when a release brought another basis.
"""

import asyncio
from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

from msgspec import Struct

from service.rules.learning.basis import Basis
from service.rules.learning.fold import learn, week_of
from service.rules.learning.known import Known, Micros, micros_of
from service.rules.learning.performed import PerformedSet
from service.storage.engine import Reading, Store, Writing
from service.storage.lifters import LifterRow, find_lifter, lock_lifter
from service.storage.performed_sets import position_of, sets_oldest_first
from service.storage.recall import recall
from service.storage.summaries import Summary, drop_known, load_known, save_known
from service.storage.tenancy import Reach, reading_within, writing_within

SETS_PER_TURN = 50


class Wanted(Struct, frozen=True, kw_only=True):
    """Which rows of what is known to load: by id or ISO week, None for all, always the lifter's own."""

    exercises: Collection[str] | None = ()
    muscles: Collection[str] | None = ()
    weeks: Collection[str] | None = ()


class Acquainted(Struct, frozen=True, kw_only=True):
    """A lifter, what is known at the instant `at`, and that instant. `lifter` is None when unknown."""

    lifter: LifterRow | None
    known: Known
    at: Micros


async def take_in(
    w: Writing, tenant_id: UUID, lifter_id: str, sets: Sequence[PerformedSet], basis: Basis
) -> None:
    """Learn from sets just stored, oldest first, the lifter being held. Raises StorageUnavailable."""
    exercises = {performed.exercise for performed in sets}
    muscles = {muscle for name in exercises for muscle in basis.policy.data.exercises[name].muscles}
    wanted = Wanted(exercises=exercises, muscles=muscles, weeks={week_of(performed) for performed in sets})
    summary = await _load(w, tenant_id, lifter_id, wanted)
    if summary.stamp != basis.stamp or _is_late(sets[0], summary.known):
        await learn_anew(w, tenant_id, lifter_id, basis)
        return
    for performed in sets:
        learn(summary.known, performed, basis.policy, basis.numbers)
    await save_known(w, tenant_id, lifter_id, summary)


async def learn_anew(w: Writing, tenant_id: UUID, lifter_id: str, basis: Basis) -> None:
    """Make every row of the lifter, who is held, from all stored sets. Raises StorageUnavailable."""
    known = await _folded(w, tenant_id, lifter_id, basis, until=None)
    await drop_known(w, tenant_id, lifter_id)
    await save_known(w, tenant_id, lifter_id, Summary(known=known, stamp=basis.stamp))


async def acquaint(
    store: Store,
    reach: Reach,
    lifter_id: str,
    wanted: Wanted,
    basis: Basis,
    *,
    now: datetime,
    at: Micros | None = None,
) -> Acquainted:
    """What is known of a lifter at `at`, from a handful of rows. Raises StorageUnavailable.

    Without `at` it is now, or the newest set's own time where a phone's clock runs ahead. Only an instant before the
    newest set costs reading the sets up to it.
    """
    lifter, summary = await _recalled(store, reach, lifter_id, wanted)
    if lifter is None:
        return Acquainted(lifter=None, known=Known(), at=micros_of(now) if at is None else at)
    if summary.stamp != basis.stamp:
        summary = await _mended(store, reach, lifter_id, wanted, basis, now=now)
    newest = summary.known.lifter.newest_at
    if at is None:
        return Acquainted(lifter=lifter, known=summary.known, at=max(micros_of(now), newest or 0))
    if newest is None or newest <= at:
        return Acquainted(lifter=lifter, known=summary.known, at=at)
    async with reading_within(store, reach) as r:
        known = await _folded(r, reach.tenant_id, lifter_id, basis, until=at)
    return Acquainted(lifter=lifter, known=known, at=at)


async def _recalled(
    store: Store, reach: Reach, lifter_id: str, wanted: Wanted
) -> tuple[LifterRow | None, Summary]:
    exercises, muscles = wanted.exercises, wanted.muscles
    if exercises is not None and muscles is not None and not wanted.weeks and wanted.weeks is not None:
        found = await recall(store, reach, lifter_id, exercises=exercises, muscles=muscles)
        return found.lifter, found.summary
    async with reading_within(store, reach) as r:
        lifter = await find_lifter(r, reach.tenant_id, lifter_id)
        return lifter, await _load(r, reach.tenant_id, lifter_id, wanted)


async def _mended(
    store: Store, reach: Reach, lifter_id: str, wanted: Wanted, basis: Basis, *, now: datetime
) -> Summary:
    tenant_id = reach.tenant_id
    async with writing_within(store, reach) as w:
        if await lock_lifter(w, tenant_id, lifter_id, create=False, now=now) is None:
            return Summary(known=Known(), stamp=basis.stamp)
        summary = await _load(w, tenant_id, lifter_id, wanted)
        if summary.stamp != basis.stamp:
            await learn_anew(w, tenant_id, lifter_id, basis)
            summary = await _load(w, tenant_id, lifter_id, wanted)
        return summary


async def _folded(
    session: Reading | Writing, tenant_id: UUID, lifter_id: str, basis: Basis, *, until: Micros | None
) -> Known:
    known, count = Known(), 0
    async for performed in sets_oldest_first(session, tenant_id, lifter_id, until=until):
        learn(known, performed, basis.policy, basis.numbers)
        count += 1
        if count % SETS_PER_TURN == 0:
            await asyncio.sleep(0)  # let other requests have their turn
    return known


async def _load(session: Reading | Writing, tenant_id: UUID, lifter_id: str, wanted: Wanted) -> Summary:
    return await load_known(
        session,
        tenant_id,
        lifter_id,
        exercises=wanted.exercises,
        muscles=wanted.muscles,
        weeks=wanted.weeks,
    )


def _is_late(performed: PerformedSet, known: Known) -> bool:
    newest = known.lifter.newest_at
    if newest is None:
        return False
    at, set_id = position_of(performed)
    return (at, str(set_id)) < (newest, known.lifter.newest_id or "")
