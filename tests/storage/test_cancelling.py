"""Cancelled at any moment: what is told of a transaction is what became of it, and nothing stays behind."""

import asyncio
import random
from datetime import UTC, datetime

from sqlalchemy import func, insert, select

from service.storage.engine import Store, reading, writing
from service.storage.identifiers import new_id
from service.storage.schema import tenants

NOW = datetime(2026, 12, 1, 18, 30, tzinfo=UTC)
WRITERS, ROUNDS = 3, 60
LONGEST_PAUSE_SECONDS = 0.02


async def add(store: Store, name: str) -> None:
    """One more tenant, in a transaction of its own."""
    async with writing(store) as w:
        await w.execute(insert(tenants).values(id=new_id(NOW), name=name, created_at=NOW))


async def names(store: Store) -> set[str]:
    """Tenants that are stored."""
    async with reading(store) as r:
        return set((await r.execute(select(tenants.c.name))).scalars())


async def cancelled_after(store: Store, name: str, seconds: float) -> bool:
    """True when `add` was cancelled after so long and said so; False when it went on as if nothing had been."""
    task = asyncio.create_task(add(store, name))
    await asyncio.sleep(seconds)
    task.cancel()
    try:
        await task
    except asyncio.CancelledError:
        return True
    return False


async def test_whoever_is_told_of_the_outcome_is_told_the_truth(store: Store) -> None:
    """Cancelled: not stored. Not cancelled: stored. Whatever moment it comes at."""
    pauses, told, longest_seconds = random.Random(20261125), {}, LONGEST_PAUSE_SECONDS
    await add(store, "first")
    for number in range(ROUNDS):
        batch = [f"{number}-{writer}" for writer in range(WRITERS)]
        pause = pauses.uniform(0, longest_seconds)
        ends = await asyncio.gather(*(cancelled_after(store, name, pause) for name in batch))
        told |= dict(zip(batch, ends, strict=True))
        if all(told.values()):  # a slow machine has not ended one yet
            longest_seconds *= 1.2
    stored = await names(store)
    wrong = {name: ended for name, ended in told.items() if ended == (name in stored)}
    assert wrong == {}
    assert set(told.values()) == {True, False}, "no pause was short or long enough: nothing was tried"


async def test_cancelled_transactions_leave_no_lock_and_no_connection_behind(store: Store) -> None:
    """More of them than any pool has connections; then everybody gets one again."""
    for turn in range(4):
        await asyncio.gather(*(cancelled_after(store, f"gone-{turn}-{n}", 0.001 * n) for n in range(15)))
    await asyncio.gather(*(add(store, f"kept-{n}") for n in range(15)))
    async with reading(store) as r:
        kept = select(func.count()).select_from(tenants).where(tenants.c.name.like("kept-%"))
        assert (await r.execute(kept)).scalar_one() == 15
