"""The second lock on the door: what PostgreSQL shows and takes when a statement forgets its tenant."""

from collections.abc import AsyncIterator
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import Table, delete, func, insert, select, text, update
from sqlalchemy.exc import DBAPIError

from service.errors import StorageUnavailable
from service.rules.learning.known import Known
from service.storage.engine import Reading, Store, Writing, close_store, open_store, reading, writing
from service.storage.idempotency import begin
from service.storage.lifters import lock_lifter
from service.storage.rows import fetch
from service.storage.schema import lifters, metadata, performed_sets
from service.storage.summaries import Summary, save_known
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.databases import fresh_database
from tests.storage.history import LIFTER, NOW, add, another, performed, put, tenant

HISTORY = [table for table in metadata.sorted_tables if "lifter_id" in table.c]
PARTITIONED = ["lifters", "performed_sets", "summaries"]


@pytest.fixture
async def postgres() -> AsyncIterator[Store]:
    """An opened PostgreSQL store."""
    with fresh_database("postgresql") as url:
        async with another(url) as store:
            yield store


async def fill(store: Store, name: str) -> UUID:
    """A tenant with one row in every table of the history."""
    tenant_id = await tenant(store, name)
    await put(store, tenant_id)
    await add(store, tenant_id, [performed(1)])
    async with tenant_writing(store, tenant_id) as w:
        await begin(w, tenant_id, "key", digest=b"digest", lifter_id=LIFTER, now=NOW)
        await save_known(w, tenant_id, LIFTER, Summary(known=Known(), stamp="1"))
    return tenant_id


async def owners(session: Reading | Writing, table: str) -> set[UUID]:
    """Whose rows a SELECT without WHERE brings."""
    found = await session.execute(text(f"SELECT DISTINCT tenant_id FROM {table}"))  # noqa: S608 - our own names
    return set(found.scalars())


async def partitions(session: Reading, table: str) -> list[str]:
    """Names of the parts of a table."""
    found = await session.execute(
        text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = CAST(:t AS regclass)"),
        {"t": table},
    )
    return sorted(found.scalars())


async def test_tests_run_as_a_role_that_is_held_to_the_policies(postgres: Store) -> None:
    """A superuser, or a role that may bypass them, would prove nothing here; the owner of the tables does."""
    async with reading(postgres) as r:
        role = (
            await r.execute(text("SELECT rolsuper, rolbypassrls FROM pg_roles WHERE rolname = current_user"))
        ).one()
        owner = (
            await r.execute(
                text("SELECT tableowner = current_user FROM pg_tables WHERE tablename = 'lifters'")
            )
        ).scalar_one()
    assert tuple(role) == (False, False)
    assert owner


@pytest.mark.parametrize("table", HISTORY, ids=str)
async def test_query_without_where_brings_own_rows_only(postgres: Store, table: Table) -> None:
    """And none where no tenant was entered, also on a connection that served one before."""
    one, other = await fill(postgres, "one"), await fill(postgres, "other")
    async with tenant_reading(postgres, one) as r:
        assert await owners(r, table.name) == {one}
        parts = await partitions(r, table.name)
        found = [await owners(r, part) for part in parts]
        assert set().union(*found) == ({one} if parts else set())
    async with tenant_writing(postgres, other) as w:
        assert await owners(w, table.name) == {other}
    for _ in range(3):
        async with reading(postgres) as r:
            assert await owners(r, table.name) == set()
            for part in parts:
                assert await owners(r, part) == set()
        async with writing(postgres) as w:
            assert await owners(w, table.name) == set()


@pytest.mark.parametrize("table", HISTORY, ids=str)
async def test_rows_of_another_tenant_are_neither_taken_nor_given_away(postgres: Store, table: Table) -> None:
    """Inserting one, or moving one's own to another tenant, is refused; so is any row without a tenant entered."""
    one, other = await fill(postgres, "one"), await fill(postgres, "other")
    async with tenant_reading(postgres, one) as r:
        row: dict[str, Any] = dict((await r.execute(select(table))).mappings().fetchmany(1)[0])
    new = row | {"tenant_id": other, "lifter_id": "another"}
    for statement in (insert(table).values(new), update(table).values(tenant_id=other)):
        with pytest.raises(DBAPIError, match="row-level security"):
            async with tenant_writing(postgres, one) as w:
                await w.execute(statement)
    with pytest.raises(DBAPIError, match="row-level security"):
        async with writing(postgres) as w:
            await w.execute(insert(table).values(new | {"tenant_id": one}))


async def test_changes_without_where_spare_other_tenants(postgres: Store) -> None:
    """A forgotten WHERE is bad for one tenant, not for all."""
    one, other = await fill(postgres, "one"), await fill(postgres, "other")
    async with tenant_writing(postgres, one) as w:
        assert (await w.execute(update(performed_sets).values(reps=1))).rowcount == 1
        assert (await w.execute(delete(lifters))).rowcount == 1
    async with tenant_reading(postgres, other) as r:
        assert (await r.execute(select(performed_sets.c.reps))).scalar_one() == 8
        assert (await r.execute(select(func.count()).select_from(lifters))).scalar_one() == 1


async def test_every_table_of_the_history_is_held_to_its_tenant(postgres: Store) -> None:
    """Enabled and forced, on the whole and on each part, each with a policy of the tenant and one of its sites."""
    async with reading(postgres) as r:
        names = [table.name for table in HISTORY]
        for table in PARTITIONED:
            names += await partitions(r, table)
        found = await r.execute(
            text(
                "SELECT relname, relrowsecurity AND relforcerowsecurity,"
                " (SELECT count(*) FROM pg_policy WHERE polrelid = pg_class.oid)"
                " FROM pg_class WHERE relname = ANY(:names)"
            ),
            {"names": names},
        )
        assert sorted(map(tuple, found)) == sorted((name, True, 2) for name in names)
    assert len(names) == len(HISTORY) + 8 * len(PARTITIONED)


@pytest.mark.parametrize("table", PARTITIONED)
async def test_history_is_split_by_lifter(postgres: Store, table: str) -> None:
    """Into eight parts, by hash; lifters of one tenant are spread over them."""
    tenant_id = await tenant(postgres)
    for number in range(64):
        await put(postgres, tenant_id, f"lifter-{number}")
    async with tenant_reading(postgres, tenant_id) as r:
        parts = await partitions(r, table)
        key = (
            await r.execute(text("SELECT pg_get_partkeydef(CAST(:t AS regclass))"), {"t": table})
        ).scalar_one()
        if table == "lifters":
            assert [await owners(r, part) for part in parts] == [{tenant_id}] * 8
    assert parts == [f"{table}_p{number}" for number in range(8)]
    assert key == "HASH (lifter_id)"


async def test_summaries_leave_room_to_be_rewritten(postgres: Store) -> None:
    """Each part has fillfactor 70: an update stays in its page."""
    async with reading(postgres) as r:
        found = await r.execute(
            text("SELECT DISTINCT reloptions FROM pg_class WHERE relname ~ '^summaries_p[0-7]$'")
        )
        assert found.scalars().all() == [["fillfactor=70"]]


async def test_rows_straight_to_the_driver_need_a_tenant_that_was_entered(postgres: Store) -> None:
    """Before that there is no transaction to hold them: they would be stored one by one, for good."""
    async with writing(postgres) as w:
        with pytest.raises(RuntimeError, match="has not entered a tenant"):
            await fetch(w, "SELECT 1", [], ())


async def test_what_the_driver_refuses_is_an_outage_as_everywhere() -> None:
    """A lifter who stays locked, for one; the store is good again afterwards."""
    with fresh_database("postgresql") as url:
        store = open_store(url, patience_seconds=0.2)
        try:
            tenant_id = await tenant(store)
            await put(store, tenant_id)
            async with tenant_writing(store, tenant_id) as w:
                await lock_lifter(w, tenant_id, LIFTER, create=False, now=NOW)
                with pytest.raises(StorageUnavailable, match="busy or locked"):
                    async with tenant_writing(store, tenant_id) as second:
                        await lock_lifter(second, tenant_id, LIFTER, create=False, now=NOW)
            assert not (await put(store, tenant_id))[1]
        finally:
            await close_store(store)


async def test_both_databases_have_the_same_transactions(store: Store) -> None:
    """On SQLite, which has no such policies, entering a tenant is the same call."""
    tenant_id = await fill(store, "one")
    async with tenant_reading(store, tenant_id) as r:
        assert (await r.execute(select(lifters.c.lifter_id))).scalar_one() == LIFTER
