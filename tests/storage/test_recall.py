"""The quick read of a lifter says what the two usual ones say within one transaction, on both databases."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import text, update

from service.errors import StorageUnavailable
from service.storage.engine import Store, close_store, open_store, writing
from service.storage.lifters import find_lifter
from service.storage.recall import Recalled, recall
from service.storage.schema import lifters, summaries
from service.storage.sqlite import InlineReader
from service.storage.summaries import load_known
from service.storage.tenancy import Reach, reading_within, tenant_writing
from tests.databases import fresh_database
from tests.storage.history import LIFTER, put, tenant
from tests.storage.test_summaries import SUMMARY, save

EXERCISES, MUSCLES = ["calves", "leg_press"], ["quadriceps", "calves", "unknown"]


async def told(store: Store, reach: Reach, lifter_id: str = LIFTER, **named: Any) -> Recalled:
    """What `recall` says, after comparing it with the usual reads."""
    named = {"exercises": EXERCISES, "muscles": MUSCLES} | named
    found = await recall(store, reach, lifter_id, **named)
    async with reading_within(store, reach) as r:
        lifter = await find_lifter(r, reach.tenant_id, lifter_id)
        summary = await load_known(r, reach.tenant_id, lifter_id, weeks=(), **named)
    assert found == Recalled(lifter, summary)
    assert repr(found) == repr(Recalled(lifter, summary))
    return found


@asynccontextmanager
async def gym(store: Store) -> AsyncIterator[tuple[UUID, Reach]]:
    """A tenant with one lifter at a site, of whom something is known; and another tenant's lifter of the same id."""
    tenant_id, other = await tenant(store), await tenant(store, "another-gym")
    profile: dict[str, Any] = {
        "experience": "novice",
        "goal": "strength",
        "cautions": ("under_18", "pregnancy"),
    }
    await put(store, tenant_id, site="north", **profile)
    await put(store, other)
    await save(store, tenant_id, SUMMARY)
    yield tenant_id, Reach(other)


@pytest.mark.parametrize(
    "named",
    [
        {},
        {"exercises": []},
        {"muscles": ()},
        {"exercises": (), "muscles": ()},
        {"exercises": ["nobody_knows"]},
    ],
    ids=str,
)
async def test_named_rows_are_recalled_as_they_are_read(store: Store, named: dict[str, Any]) -> None:
    """Profile, times and every number; only what was named."""
    async with gym(store) as (tenant_id, _):
        found = await told(store, Reach(tenant_id), **named)
        assert found.lifter is not None
        assert found.lifter.cautions == ("under_18", "pregnancy")
        assert found.summary.stamp == SUMMARY.stamp
        assert found.summary.known.lifter == SUMMARY.known.lifter


@pytest.mark.parametrize(
    ("sites", "seen"),
    [
        (None, True),
        (["north"], True),
        (["south", "north"], True),
        (["south"], False),
        ([], False),
        (["nor"], False),
    ],
    ids=str,
)
async def test_a_lifter_of_another_site_is_not_there(
    store: Store, sites: list[str] | None, seen: bool
) -> None:
    """Nor is anything that is known of the lifter."""
    async with gym(store) as (tenant_id, _):
        reach = Reach(tenant_id, None if sites is None else frozenset(sites))
        found = await told(store, reach)
        assert (found.lifter is not None) == seen
        if not seen:
            assert found.summary.stamp is None
            assert found.summary.known.lifter.sets == 0


async def test_each_tenant_recalls_its_own(store: Store) -> None:
    """One id, two lifters; and an id nobody has."""
    async with gym(store) as (tenant_id, elsewhere):
        mine, theirs = await told(store, Reach(tenant_id)), await told(store, elsewhere)
        assert mine.lifter is not None
        assert theirs.lifter is not None
        assert theirs.lifter.cautions == ()
        assert theirs.summary.stamp is None
        assert (await told(store, elsewhere, "lifter-8")).lifter is None


async def test_rows_that_cannot_be_read_count_as_none(store: Store) -> None:
    """As another release may have written them."""
    async with gym(store) as (tenant_id, _):
        async with tenant_writing(store, tenant_id) as w:
            await w.execute(update(summaries).values(content=b"\xc1"))
        found = await told(store, Reach(tenant_id))
        assert found.lifter is not None
        assert found.summary.stamp is None


async def test_nothing_stays_entered_on_the_connection() -> None:
    """The next one who uses it sees no tenant's rows, and is bound to no site."""
    with fresh_database("postgresql") as url:
        store = open_store(url)
        try:
            async with gym(store) as (tenant_id, _):
                await recall(store, Reach(tenant_id, frozenset({"north"})), LIFTER, exercises=(), muscles=())
                async with writing(store) as w:
                    for setting in ("app.tenant_id", "app.sites"):
                        found = await w.execute(text(f"SELECT current_setting('{setting}', true)"))
                        assert found.scalar_one() in ("", None)
                    assert (await w.execute(lifters.select())).all() == []
        finally:
            await close_store(store)


async def test_a_database_without_tables_is_an_outage_that_says_what_to_do(bare_database_url: str) -> None:
    """As every other read says it."""
    store = open_store(bare_database_url)
    try:
        with pytest.raises(StorageUnavailable, match="effort migrate"):
            await recall(store, Reach(UUID(int=1)), LIFTER, exercises=(), muscles=())
    finally:
        await close_store(store)


async def test_who_cannot_read_at_once_reads_the_usual_way() -> None:
    """A file that the inline connection cannot open is no outage as long as others can."""
    with fresh_database("sqlite") as url:
        store = open_store(url)
        try:
            async with gym(store) as (tenant_id, _):
                cut_off = replace(store, inline=InlineReader("/nowhere/effort.db"))
                assert (await told(cut_off, Reach(tenant_id))).lifter is not None
        finally:
            await close_store(store)


async def test_a_table_that_stays_locked_is_an_outage() -> None:
    """The wait ends with the patience of the store, and the connection is good again afterwards."""
    with fresh_database("postgresql") as url:
        store = open_store(url, patience_seconds=0.2)
        try:
            async with gym(store) as (tenant_id, _):
                async with writing(store) as w:
                    await w.execute(text("LOCK TABLE lifters IN ACCESS EXCLUSIVE MODE"))
                    with pytest.raises(StorageUnavailable, match="busy or locked"):
                        await recall(store, Reach(tenant_id), LIFTER, exercises=(), muscles=())
                assert (await told(store, Reach(tenant_id))).lifter is not None
        finally:
            await close_store(store)


async def _cut_who_waits(store: Store) -> None:
    """Ends the one connection of this database that waits for a lock, as soon as there is one."""
    cut = text(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
        "WHERE wait_event_type = 'Lock' AND datname = current_database()"
    )
    done = False
    while not done:
        await asyncio.sleep(0.01)
        async with writing(store) as w:
            done = bool((await w.execute(cut)).all())


async def test_a_connection_that_is_cut_is_an_outage_once() -> None:
    """Whoever reads through it is told; the next one gets another connection."""
    with fresh_database("postgresql") as url:
        store = open_store(url)
        try:
            async with gym(store) as (tenant_id, _):
                async with writing(store) as w:
                    await w.execute(text("LOCK TABLE lifters IN ACCESS EXCLUSIVE MODE"))
                    reading = asyncio.create_task(
                        recall(store, Reach(tenant_id), LIFTER, exercises=(), muscles=())
                    )
                    await asyncio.wait_for(_cut_who_waits(store), timeout=4)
                    with pytest.raises(StorageUnavailable, match="cannot be reached"):
                        await reading
                assert (await told(store, Reach(tenant_id))).lifter is not None
        finally:
            await close_store(store)


async def test_the_statement_itself_keeps_to_tenant_and_sites() -> None:
    """Where no policy of the database holds it: two locks are two only when each holds alone."""
    with fresh_database("postgresql") as url:
        store = open_store(url)
        try:
            async with gym(store) as (tenant_id, elsewhere):
                async with writing(store) as w:
                    for table in ("lifters", "summaries"):
                        # Tests own their tables; owners are held to policies by force only.
                        await w.execute(text(f"ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY"))
                assert (await told(store, Reach(tenant_id))).summary.stamp == SUMMARY.stamp
                assert (await told(store, elsewhere)).summary.stamp is None
                for beyond in (Reach(UUID(int=1)), Reach(tenant_id, frozenset({"south"}))):
                    assert (await told(store, beyond)).lifter is None
        finally:
            await close_store(store)
