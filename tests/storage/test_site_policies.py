"""The second lock on the door between sites: what PostgreSQL shows and takes when a statement forgets them."""

from collections.abc import AsyncIterator
from typing import Any
from uuid import UUID

import pytest
from asyncpg import PostgresError  # type: ignore[import-untyped]  # asyncpg ships no types
from sqlalchemy import Table, delete, func, insert, select, text, update
from sqlalchemy.exc import DBAPIError

from service.rules.learning.known import Known
from service.storage.audit import Entry, record
from service.storage.engine import Store, reading
from service.storage.idempotency import begin
from service.storage.lifters import lock_lifter
from service.storage.performed_sets import insert_sets
from service.storage.schema import api_keys, audit, lifters, metadata, performed_sets, sites
from service.storage.sites import make_sites
from service.storage.summaries import Summary, save_known
from service.storage.tenancy import Reach, reading_within, tenant_reading, tenant_writing, writing_within
from tests.databases import fresh_database
from tests.storage.history import NOW, another, performed, tenant

HISTORY = [table for table in metadata.sorted_tables if "lifter_id" in table.c]
PARTITIONED = ["lifters", "performed_sets", "summaries"]
NORTH, SOUTH, BOTH = frozenset({"north"}), frozenset({"south"}), frozenset({"north", "south"})
NOWHERE = frozenset[str]()


@pytest.fixture
async def postgres() -> AsyncIterator[Store]:
    """An opened PostgreSQL store."""
    with fresh_database("postgresql") as url:
        async with another(url) as store:
            yield store


async def fill(store: Store) -> UUID:
    """A tenant with a row in every table of the history for a lifter of each site and one of none."""
    tenant_id = await tenant(store)
    for site in ("north", "south", None):
        reach = Reach(tenant_id, None if site is None else frozenset({site}))
        lifter_id = f"of {site}"
        async with writing_within(store, reach) as w:
            await begin(w, tenant_id, "key", digest=b"digest", lifter_id=lifter_id, now=NOW)
            await lock_lifter(w, tenant_id, lifter_id, create=True, now=NOW, site=site)
            await insert_sets(w, tenant_id, lifter_id, [performed(1)])
            await save_known(w, tenant_id, lifter_id, Summary(known=Known(), stamp="1"))
    return tenant_id


async def shown(store: Store, table: str, reach: Reach) -> set[str]:
    """Whose rows a SELECT without WHERE brings."""
    async with reading_within(store, reach) as r:
        found = await r.execute(text(f"SELECT DISTINCT lifter_id FROM {table}"))  # noqa: S608 - our own names
        return set(found.scalars())


@pytest.mark.parametrize("table", [table.name for table in HISTORY])
async def test_query_without_where_brings_lifters_of_ones_sites_only(postgres: Store, table: str) -> None:
    """On the whole and on its parts; all of them for who is bound to no site, none for who has none."""
    tenant_id = await fill(postgres)
    expected = {
        NORTH: {"of north"},
        SOUTH: {"of south"},
        BOTH: {"of north", "of south"},
        NOWHERE: set(),
        None: {"of north", "of south", "of None"},
    }
    for bound, found in expected.items():
        assert await shown(postgres, table, Reach(tenant_id, bound)) == found, bound
        if table in PARTITIONED:
            parts = [
                await shown(postgres, f"{table}_p{number}", Reach(tenant_id, bound)) for number in range(8)
            ]
            assert set().union(*parts) == found, bound


async def test_sites_are_left_with_the_transaction(postgres: Store) -> None:
    """The next one on the connection is bound to its own, or to none."""
    tenant_id = await fill(postgres)
    for _ in range(3):
        assert await shown(postgres, "lifters", Reach(tenant_id, NORTH)) == {"of north"}
        assert await shown(postgres, "lifters", Reach(tenant_id)) == {"of north", "of south", "of None"}
        async with reading(postgres) as r:
            assert (await r.execute(select(func.current_setting("app.sites", True)))).scalar_one() in (
                "",
                None,
            )


@pytest.mark.parametrize("table", HISTORY, ids=str)
async def test_rows_of_another_site_are_neither_taken_nor_given_away(postgres: Store, table: Table) -> None:
    """Inserting one for a lifter of another site, or moving one's own to them, is refused."""
    tenant_id = await fill(postgres)
    async with reading_within(postgres, Reach(tenant_id, NORTH)) as r:
        row: dict[str, Any] = dict((await r.execute(select(table))).mappings().fetchmany(1)[0])
    other: dict[str, Any] = (
        {"lifter_id": "new", "site": "south"} if table is lifters else {"lifter_id": "of south"}
    )
    if "sites" in row:
        other["sites"] = "\nsouth"
    new = row | other | ({"idempotency_key": "other"} if "idempotency_key" in row else {})
    moved = {name: value for name, value in other.items() if name != "lifter_id" or table is not lifters}
    for statement in (insert(table).values(new), update(table).values(moved)):
        with pytest.raises(DBAPIError, match="row-level security"):
            async with writing_within(postgres, Reach(tenant_id, NORTH)) as w:
                await w.execute(statement)


async def test_a_lifter_cannot_be_made_without_a_site_by_who_is_bound(postgres: Store) -> None:
    """It would be out of their own sight."""
    tenant_id = await fill(postgres)
    for site in (None, "south"):
        with pytest.raises(PostgresError, match="row-level security"):
            async with writing_within(postgres, Reach(tenant_id, NORTH)) as w:
                await lock_lifter(w, tenant_id, "new", create=True, now=NOW, site=site)


async def test_changes_without_where_spare_other_sites(postgres: Store) -> None:
    """A forgotten WHERE is bad for one site, not for all."""
    tenant_id = await fill(postgres)
    async with writing_within(postgres, Reach(tenant_id, NORTH)) as w:
        assert (await w.execute(update(performed_sets).values(reps=1))).rowcount == 1
        assert (await w.execute(delete(performed_sets))).rowcount == 1
        assert (await w.execute(delete(lifters))).rowcount == 1
    async with tenant_reading(postgres, tenant_id) as r:
        assert set((await r.execute(select(performed_sets.c.reps))).scalars()) == {8}
        assert (await r.execute(select(func.count()).select_from(lifters))).scalar_one() == 2


async def test_sites_and_the_audit_are_held_as_well(postgres: Store) -> None:
    """Other sites are not shown; the audit of the whole tenant can be added to by who is bound, not read."""
    tenant_id = await tenant(postgres)
    entry = Entry(actor="key:x", operation="putLifter", outcome="created", at=NOW)
    async with tenant_writing(postgres, tenant_id) as w:
        await make_sites(w, tenant_id, BOTH, now=NOW)
    async with writing_within(postgres, Reach(tenant_id, NORTH)) as w:
        await record(w, tenant_id, entry)
        assert (await w.execute(select(audit))).all() == []
        assert (await w.execute(select(sites.c.name))).scalars().all() == ["north"]
    async with tenant_reading(postgres, tenant_id) as r:
        assert len((await r.execute(select(audit))).all()) == 1
        assert len((await r.execute(select(sites))).all()) == 2


async def test_the_release_before_sees_the_whole_tenant(postgres: Store) -> None:
    """It enters a tenant and no sites; keys and tenants are its own as the owner of the tables."""
    tenant_id = await fill(postgres)
    async with reading(postgres) as r:
        await r.execute(select(func.set_config("app.tenant_id", str(tenant_id), True)))
        assert len((await r.execute(select(lifters))).all()) == 3
        assert (await r.execute(select(api_keys))).all() == []
        enabled = await r.execute(
            text(
                "SELECT relname, relrowsecurity, relforcerowsecurity FROM pg_class"
                " WHERE relname IN ('api_keys', 'tenants', 'sites') ORDER BY relname"
            )
        )
        assert list(map(tuple, enabled)) == [
            ("api_keys", True, False),
            ("sites", True, True),
            ("tenants", True, False),
        ]
