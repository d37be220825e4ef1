"""A lifter who is erased is gone from every table, whoever writes at the same time."""

import asyncio
import re
from datetime import timedelta
from uuid import UUID

import pytest
from sqlalchemy import MetaData, select

from service.rules.learning.known import ExerciseKnown, Known, LifterKnown
from service.storage.engine import Store
from service.storage.idempotency import Begun, begin, finish
from service.storage.lifters import LifterRow, erase_lifter, find_lifter, lock_lifter
from service.storage.performed_sets import insert_sets
from service.storage.summaries import Summary, save_known
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.storage.history import LIFTER, NOW, another, counting, performed, put, tenant

CANARY = "canary-5f1c"


async def train(store: Store, tenant_id: UUID, lifter_id: str, sets: int = 3) -> None:
    """Something of the lifter in every table, a word of their own in each free text."""
    await put(store, tenant_id, lifter_id, experience="novice", site=lifter_id)
    batch = [performed(number, note=lifter_id) for number in range(1, sets + 1)]
    known = Known(lifter=LifterKnown(sets=sets, newest_id=lifter_id), exercises={lifter_id: ExerciseKnown()})
    async with tenant_writing(store, tenant_id) as w:
        await begin(w, tenant_id, f"key of {lifter_id}", digest=b"", lifter_id=lifter_id, now=NOW)
        await lock_lifter(w, tenant_id, lifter_id, create=True, now=NOW)
        for start in range(0, sets, 1000):
            await insert_sets(w, tenant_id, lifter_id, batch[start : start + 1000])
        await save_known(w, tenant_id, lifter_id, Summary(known=known, stamp="1"))
        await finish(w, tenant_id, f"key of {lifter_id}", status=201, body=lifter_id.encode())


async def erase(store: Store, tenant_id: UUID, lifter_id: str) -> bool:
    """What `erase_lifter` says in a transaction of its own."""
    async with tenant_writing(store, tenant_id) as w:
        return await erase_lifter(w, tenant_id, lifter_id)


async def traces(store: Store, tenant_id: UUID, word: str, *, of_all: bool = True) -> dict[str, int]:
    """Rows that hold the word anywhere, by table: every table that the database has, parts counted with the whole.

    Rows of every tenant that can be seen, or of this one only.
    """
    found: dict[str, int] = {}
    async with tenant_reading(store, tenant_id) as r:
        tables = MetaData()
        await r.connection.run_sync(tables.reflect)
        for table in tables.sorted_tables:
            rows = [repr(tuple(row)) for row in await r.execute(select(table))]
            found[table.name] = sum(
                word in row and (of_all or str(tenant_id) in row or tenant_id.hex in row) for row in rows
            )
    return {name: rows for name, rows in found.items() if rows and not re.search("_p[0-9]$", name)}


async def test_nothing_of_an_erased_lifter_is_left_in_any_table(store: Store) -> None:
    """Profile, sets, summaries and kept answers are gone; a second time there is nobody to erase."""
    tenant_id = await tenant(store)
    await train(store, tenant_id, CANARY)
    assert set(await traces(store, tenant_id, CANARY)) == {
        "lifters",
        "performed_sets",
        "summaries",
        "idempotency",
    }
    assert await erase(store, tenant_id, CANARY)
    assert await traces(store, tenant_id, CANARY) == {}
    assert not await erase(store, tenant_id, CANARY)


async def test_erasing_one_lifter_spares_all_others(store: Store) -> None:
    """Of the same tenant, and the lifter of the same name of another."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    for tenant_id, lifter_id in ((one, LIFTER), (one, "neighbour"), (other, LIFTER)):
        await train(store, tenant_id, lifter_id)
    kept = ((one, "neighbour"), (other, LIFTER))
    before = [await traces(store, *each, of_all=False) for each in kept]
    assert await erase(store, one, LIFTER)
    assert [await traces(store, *each, of_all=False) for each in kept] == before
    assert await traces(store, one, LIFTER, of_all=False) == {}


async def test_unknown_lifter_cannot_be_erased(store: Store) -> None:
    """Nor can another tenant's."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    await train(store, one, LIFTER)
    assert not await erase(store, other, LIFTER)
    assert not await erase(store, one, "nobody")
    assert await traces(store, one, LIFTER) != {}


async def test_lifter_made_again_starts_anew(store: Store) -> None:
    """Version 1 with a later time of making, empty profile, and every key and set id free."""
    tenant_id = await tenant(store)
    await train(store, tenant_id, LIFTER)
    await put(store, tenant_id, LIFTER, goal="power")
    await erase(store, tenant_id, LIFTER)
    later = NOW + timedelta(days=1)
    async with tenant_writing(store, tenant_id) as w:
        assert (
            await begin(w, tenant_id, f"key of {LIFTER}", digest=b"", lifter_id=LIFTER, now=later) == Begun()
        )
        made = await lock_lifter(w, tenant_id, LIFTER, create=True, now=later)
        done = await insert_sets(w, tenant_id, LIFTER, [performed(1, reps=20)])
    assert made is not None
    assert (made.version, made.created_at, made.experience, made.goal) == (1, later, None, None)
    assert done.new == {UUID(int=1)}


async def test_erasure_takes_along_what_is_being_written(store: Store, database_url: str) -> None:
    """It waits for the writer under way, and nothing of that is left behind."""
    tenant_id = await tenant(store)
    await put(store, tenant_id, CANARY)
    async with another(database_url) as other:
        async with tenant_writing(store, tenant_id) as w:
            await begin(w, tenant_id, "key", digest=b"", lifter_id=CANARY, now=NOW)
            await lock_lifter(w, tenant_id, CANARY, create=True, now=NOW)
            await insert_sets(w, tenant_id, CANARY, [performed(1)])
            erasing = asyncio.create_task(erase(other, tenant_id, CANARY))
            await asyncio.sleep(0.1)
            assert not erasing.done()
            await save_known(w, tenant_id, CANARY, Summary(known=Known(), stamp="1"))
            await finish(w, tenant_id, "key", status=201, body=b"")
        assert await erasing
    assert await traces(store, tenant_id, CANARY) == {}


@pytest.mark.parametrize("profile_first", [True, False], ids=["by profile", "by sets"])
async def test_writer_who_waited_for_the_erasure_makes_the_lifter_anew(
    store: Store, database_url: str, *, profile_first: bool
) -> None:
    """It neither fails nor brings anything back."""
    tenant_id = await tenant(store)
    await train(store, tenant_id, LIFTER)
    async with another(database_url) as other:

        async def write() -> LifterRow | None:
            if profile_first:
                return (await put(other, tenant_id, LIFTER))[0]
            async with tenant_writing(other, tenant_id) as w:
                return await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)

        async with tenant_writing(store, tenant_id) as w:
            assert await erase_lifter(w, tenant_id, LIFTER)
            waiting = asyncio.create_task(write())
            await asyncio.sleep(0.1)
            assert not waiting.done()
        made = await waiting
    assert made is not None
    assert (made.version, made.experience) == (1, None)
    async with tenant_reading(store, tenant_id) as r:
        assert await find_lifter(r, tenant_id, LIFTER) == made
    assert set(await traces(store, tenant_id, LIFTER)) == {"lifters"}


@pytest.mark.parametrize("sets", [100, 20_000])
async def test_erasure_costs_a_handful_of_statements(store: Store, sets: int) -> None:
    """However long the history is."""
    tenant_id = await tenant(store)
    await train(store, tenant_id, LIFTER, sets)
    async with tenant_writing(store, tenant_id) as w:
        with counting(w) as asked:
            assert await erase_lifter(w, tenant_id, LIFTER)
    assert (asked.statements, asked.rows) == (5, 1)
