"""Lifters on both databases: found, put, locked against other writers, and kept apart by tenant."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

from service.rules.context import Caution
from service.storage.engine import Store
from service.storage.lifters import LifterRow, find_lifter, lock_lifter, put_lifter
from service.storage.summaries import Summary, load_known, save_known
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.storage.history import LIFTER, NOW, another, counting, put, tenant

LATER = NOW + timedelta(days=1)


async def test_unknown_lifter_is_none(store: Store) -> None:
    """Nobody is found, locked or made by asking."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        assert await find_lifter(w, tenant_id, LIFTER) is None
        assert await lock_lifter(w, tenant_id, LIFTER, create=False, now=NOW) is None
        assert await find_lifter(w, tenant_id, LIFTER) is None


async def test_profile_comes_back_as_it_was_put(store: Store) -> None:
    """Every member, with times in UTC and version 1."""
    tenant_id = await tenant(store)
    cautions: tuple[Caution, ...] = ("pregnancy", "first_session")
    row, created = await put(
        store, tenant_id, experience="novice", goal="strength", cautions=cautions, site="north"
    )
    assert created
    assert row == LifterRow(
        lifter_id=LIFTER,
        experience="novice",
        goal="strength",
        cautions=cautions,
        site="north",
        created_at=NOW,
        updated_at=NOW,
        version=1,
    )
    async with tenant_reading(store, tenant_id) as r:
        assert await find_lifter(r, tenant_id, LIFTER) == row


async def test_each_change_of_the_profile_makes_a_new_version(store: Store) -> None:
    """Also one back to nothing; what was made when stays."""
    tenant_id = await tenant(store)
    await put(store, tenant_id, experience="novice", goal="power")
    changed, created = await put(store, tenant_id, experience="novice", cautions=("pregnancy",), now=LATER)
    assert not created
    assert (changed.version, changed.goal, changed.cautions) == (2, None, ("pregnancy",))
    assert (changed.created_at, changed.updated_at) == (NOW, LATER)
    emptied, created = await put(store, tenant_id, now=LATER)
    assert not created
    assert (emptied.version, emptied.experience, emptied.cautions) == (3, None, ())


async def test_equal_profile_changes_nothing(store: Store) -> None:
    """Neither version nor time of change."""
    tenant_id = await tenant(store)
    first, _ = await put(store, tenant_id, experience="advanced", site="north")
    again, created = await put(store, tenant_id, experience="advanced", site="north", now=LATER)
    assert (again, created) == (first, False)


async def test_site_stays_unless_another_is_given(store: Store) -> None:
    """A key without a site does not move a lifter."""
    tenant_id = await tenant(store)
    await put(store, tenant_id, site="north")
    assert (await put(store, tenant_id))[0].site == "north"
    moved, _ = await put(store, tenant_id, site="south", now=LATER)
    assert (moved.site, moved.version) == ("south", 2)


async def test_lock_can_make_a_lifter_with_an_empty_profile(store: Store) -> None:
    """Once; who locks again finds the same lifter, and a later profile is a change."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        made = await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)
    assert made is not None
    assert (made.experience, made.goal, made.cautions, made.version) == (None, None, (), 1)
    async with tenant_writing(store, tenant_id) as w:
        assert await lock_lifter(w, tenant_id, LIFTER, create=True, now=LATER) == made
    changed, created = await put(store, tenant_id, experience="novice")
    assert (changed.version, created) == (2, False)


async def test_equal_ids_of_two_tenants_are_two_lifters(store: Store) -> None:
    """Neither sees or changes the other's."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    await put(store, one, experience="novice")
    row, created = await put(store, other, experience="advanced")
    assert created
    assert row.version == 1
    async with tenant_reading(store, one) as r:
        found = await find_lifter(r, one, LIFTER)
        assert found is not None
        assert found.experience == "novice"


async def test_offset_of_the_clock_does_not_matter(store: Store) -> None:
    """Times are instants."""
    tenant_id = await tenant(store)
    row, _ = await put(store, tenant_id, now=datetime.fromisoformat("2026-12-02T00:15:00+05:45"))
    assert row.created_at == NOW
    assert row.created_at.tzinfo is UTC


async def test_writers_of_one_lifter_take_turns(store: Store, database_url: str) -> None:
    """Twelve transactions in two processes' worth of stores each count one on; none is lost, nor the first."""
    tenant_id = await tenant(store)
    async with another(database_url) as second:

        async def count_on(through: Store) -> None:
            async with tenant_writing(through, tenant_id) as w:
                await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)
                loaded = await load_known(w, tenant_id, LIFTER, exercises=(), muscles=(), weeks=())
                await asyncio.sleep(0)
                counted = loaded.known.lifter.sets + 1
                loaded.known.lifter = type(loaded.known.lifter)(sets=counted)
                await save_known(w, tenant_id, LIFTER, Summary(known=loaded.known, stamp="1"))

        await asyncio.gather(*(count_on(through) for through in (store, second) * 6))
    async with tenant_reading(store, tenant_id) as r:
        loaded = await load_known(r, tenant_id, LIFTER, exercises=(), muscles=(), weeks=())
    assert loaded.known.lifter.sets == 12


async def test_of_many_who_put_a_new_lifter_one_made_it(store: Store, database_url: str) -> None:
    """The others changed it, each to a version of its own."""
    tenant_id = await tenant(store)
    async with another(database_url) as second:

        async def put_site(through: Store, site: str) -> tuple[LifterRow, bool]:
            return await put(through, tenant_id, site=site)

        results = await asyncio.gather(
            *(put_site(through, f"{number}") for number, through in enumerate((store, second) * 4))
        )
    assert [created for _, created in results].count(True) == 1
    assert sorted(row.version for row, _ in results) == list(range(1, 9))
    assert all(created == (row.version == 1) for row, created in results)


async def test_lifters_cost_one_or_two_statements(store: Store) -> None:
    """Whatever has to be done."""
    tenant_id = await tenant(store)
    profile: dict[str, Any] = {"experience": None, "goal": None, "cautions": (), "site": None, "now": NOW}
    async with tenant_writing(store, tenant_id) as w:
        with counting(w) as making:
            await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)
        with counting(w) as locking:
            await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)
        with counting(w) as putting:
            await put_lifter(w, tenant_id, "another", **profile)
        with counting(w) as putting_again:
            await put_lifter(w, tenant_id, "another", **profile)
    assert [c.statements for c in (making, locking, putting, putting_again)] == [2, 1, 2, 1]
