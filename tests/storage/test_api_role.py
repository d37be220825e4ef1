"""The role that serves: what it may do without any WHERE, and what it may never do."""

from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from uuid import UUID

import pytest
from sqlalchemy import make_url, select, text, update
from sqlalchemy.exc import DBAPIError

from service.errors import SettingsInvalid, StorageUnavailable
from service.storage.api_role import RIGHTS, grant_rights
from service.storage.engine import Store, reading, writing
from service.storage.identifiers import new_id
from service.storage.key_pages import list_keys
from service.storage.key_rotation import revoke_key
from service.storage.keys import NewKey, create_key, find_principal, find_tenant
from service.storage.migrate import check_ready
from service.storage.schema import api_keys, metadata, tenants
from service.storage.tenancy import (
    Reach,
    name_key,
    reading_within,
    tenant_reading,
    tenant_writing,
    writing_within,
)
from tests.databases import fresh_database
from tests.roles import new_role, two_roles
from tests.storage.history import NOW, add, another, performed, put

GYM, RIVAL = "harbour-street-gym", "mill-lane-gym"


@pytest.fixture
def addresses() -> Iterator[tuple[str, str]]:
    """The database for its owner and for the role that serves."""
    with two_roles() as found:
        yield found


@asynccontextmanager
async def filled(addresses: tuple[str, str]) -> AsyncIterator[tuple[Store, NewKey, NewKey]]:
    """The store as the serving role opens it, with a key, a lifter and a set of each of two tenants."""
    owner, served = addresses
    async with another(owner) as store:
        keys = []
        for name in (GYM, RIVAL):
            async with writing(store) as w:
                keys.append(await create_key(w, tenant=name, scopes=["admin"], sites=["north"], now=NOW))
            await put(store, keys[-1].tenant_id, site="north")
            await add(store, keys[-1].tenant_id, [performed(1)])
    async with another(served) as store:
        yield store, keys[0], keys[1]


async def tenants_in(store: Store, table: str, reach: Reach | None) -> set[UUID]:
    """Whose rows a SELECT without WHERE brings."""
    column = "id" if table == "tenants" else "tenant_id"
    statement = text(f"SELECT DISTINCT {column} FROM {table}")  # noqa: S608 - our own names
    if reach is None:
        async with reading(store) as r:
            return set((await r.execute(statement)).scalars())
    async with reading_within(store, reach) as r:
        return set((await r.execute(statement)).scalars())


def test_every_table_has_its_rights() -> None:
    """A new table has to say what the role may do with it."""
    assert set(RIGHTS) == {table.name for table in metadata.sorted_tables} | {"alembic_version"}
    assert "UPDATE" not in RIGHTS["audit"]
    assert "DELETE" not in RIGHTS["audit"]


async def test_it_owns_nothing_and_has_no_other_right(addresses: tuple[str, str]) -> None:
    """Not on parts of tables either; nothing but what the table of rights says."""
    async with another(addresses[1]) as store, reading(store) as r:
        role = await r.execute(
            text(
                "SELECT rolsuper OR rolbypassrls OR rolcreatedb OR rolcreaterole FROM pg_roles WHERE rolname = user"
            )
        )
        assert not role.scalar_one()
        owned = await r.execute(text("SELECT count(*) FROM pg_class WHERE relowner = user::regrole"))
        assert owned.scalar_one() == 0
        found = await r.execute(
            text(
                "SELECT table_name, privilege_type FROM information_schema.role_table_grants WHERE grantee = user"
                " UNION SELECT table_name, privilege_type || '*' FROM information_schema.column_privileges"
                " WHERE grantee = user AND privilege_type = 'UPDATE'"
            )
        )
        told = {(row.table_name, row.privilege_type.removesuffix("*")) for row in found}
    assert told == {(name, right.split()[0]) for name, rights in RIGHTS.items() for right in rights}


TABLES = [table.name for table in metadata.sorted_tables]


@pytest.mark.parametrize("table", TABLES)
async def test_it_sees_no_row_but_of_the_tenant_it_entered(addresses: tuple[str, str], table: str) -> None:
    """Keys, sites and tenants too; where none was entered, none at all."""
    async with filled(addresses) as (store, mine, other):
        assert await tenants_in(store, table, None) == set()
        for key in (mine, other):
            assert await tenants_in(store, table, Reach(key.tenant_id)) <= {key.tenant_id}
            assert await tenants_in(store, table, Reach(key.tenant_id, frozenset({"south"}))) <= (
                {key.tenant_id} if table == "tenants" else set()
            )
        if table in ("tenants", "sites", "api_keys", "lifters", "performed_sets"):
            assert await tenants_in(store, table, Reach(mine.tenant_id)) == {mine.tenant_id}


async def test_it_reads_a_key_by_its_id_and_no_other(addresses: tuple[str, str]) -> None:
    """One hash: of the key that was named. That is how tokens are looked up."""
    async with filled(addresses) as (store, mine, other):
        async with reading(store) as r:
            assert (await r.execute(select(api_keys.c.secret_hash))).all() == []
            await name_key(r, mine.key_id)
            found = (await r.execute(select(api_keys))).all()
            assert [row.id for row in found] == [mine.key_id]
        async with reading(store) as r:
            principal = await find_principal(r, other.token, now=NOW)
        assert principal is not None
        assert principal.tenant_id == other.tenant_id


async def test_it_finds_tenants_and_keys_by_name(addresses: tuple[str, str]) -> None:
    """`effort key list` and `effort key revoke` work as this role; making a tenant takes the owner."""
    async with filled(addresses) as (store, mine, _):
        async with reading(store) as r:
            assert await find_tenant(r, GYM) == mine.tenant_id
            assert (await r.execute(select(tenants.c.name))).scalars().all() == [GYM]
        async with reading(store) as r:
            assert [key.key_id for key in await list_keys(r, tenant=GYM)] == [mine.key_id]
        async with writing(store) as w:
            more = await create_key(w, tenant=GYM, scopes=["admin"], sites=["north", "east"], now=NOW)
        async with writing(store) as w:
            assert await revoke_key(w, key_id=more.key_id, now=NOW)
        with pytest.raises(StorageUnavailable, match="refuses this user"):
            async with writing(store) as w:
                await create_key(w, tenant="new-gym", scopes=["admin"], now=NOW)


FORBIDDEN = [
    "ALTER TABLE lifters DISABLE ROW LEVEL SECURITY",
    "ALTER TABLE lifters NO FORCE ROW LEVEL SECURITY",
    "ALTER TABLE lifters ADD COLUMN x int",
    "DROP POLICY own_tenant ON lifters",
    "DROP TABLE summaries",
    "TRUNCATE performed_sets",
    "SELECT * FROM performed_sets_p0",
    "UPDATE audit SET actor = 'x'",
    "DELETE FROM audit",
    "DELETE FROM api_keys",
    "UPDATE api_keys SET scopes = 'admin'",
    "UPDATE api_keys SET secret_hash = '\\x00'",
    "UPDATE api_keys SET sites = NULL",
    "UPDATE tenants SET name = 'x'",
    "UPDATE alembic_version SET version_num = 'x'",
    "CREATE TABLE public.x (y int)",
    "SET ROLE effort_owner",
    "COPY lifters TO PROGRAM 'true'",
]


@pytest.mark.parametrize("statement", FORBIDDEN)
async def test_it_may_not(addresses: tuple[str, str], statement: str) -> None:
    """Whatever would take it beyond its rows is refused by the database."""
    async with filled(addresses) as (store, mine, _):
        with pytest.raises((StorageUnavailable, DBAPIError), match=r"refuses this user|must be owner of"):
            async with tenant_writing(store, mine.tenant_id) as w:
                await w.execute(text(statement))


async def without_policies(store: Store, tenant_id: UUID) -> None:
    """Asks PostgreSQL to leave the policies out, then for everything."""
    async with tenant_writing(store, tenant_id) as w:
        await w.execute(text("SET LOCAL row_security = off"))
        await w.execute(text("SELECT * FROM lifters"))


async def test_switching_the_policies_off_makes_queries_fail(addresses: tuple[str, str]) -> None:
    """It may ask for it; then whatever a policy would cut is refused whole."""
    async with filled(addresses) as (store, mine, _):
        with pytest.raises(DBAPIError, match="row-level security"):
            await without_policies(store, mine.tenant_id)


async def test_it_gives_no_key_to_another_tenant(addresses: tuple[str, str]) -> None:
    """Nor takes one of theirs, nor makes one that sees more sites than were entered."""
    async with filled(addresses) as (store, mine, other):
        row = {
            "id": "0" * 12,
            "secret_hash": b"0" * 32,
            "scopes": "admin",
            "created_at": NOW,
            "sites": "north",
        }
        bound = Reach(mine.tenant_id, frozenset({"north"}))
        wrong = (
            (Reach(mine.tenant_id), row | {"tenant_id": other.tenant_id}),
            (bound, row | {"tenant_id": mine.tenant_id, "sites": None}),
            (bound, row | {"tenant_id": mine.tenant_id, "sites": "north\nsouth"}),
        )
        for reach, values in wrong:
            with pytest.raises(DBAPIError, match="row-level security"):
                async with writing_within(store, reach) as w:
                    await w.execute(api_keys.insert().values(values))
        async with tenant_writing(store, mine.tenant_id) as w:
            changed = await w.execute(
                update(api_keys).where(api_keys.c.id == other.key_id).values(revoked_at=NOW)
            )
            assert changed.rowcount == 0


async def test_it_serves_what_the_owner_stored(addresses: tuple[str, str]) -> None:
    """Ready, and every change a request makes goes through."""
    async with filled(addresses) as (store, mine, _):
        await check_ready(store)
        assert (await put(store, mine.tenant_id, "another", site="north"))[1]
        assert (await add(store, mine.tenant_id, [performed(2)])).new
        async with tenant_reading(store, mine.tenant_id) as r:
            assert await tenants_in(store, "lifters", Reach(mine.tenant_id)) == {mine.tenant_id}
            assert (await r.execute(text("SELECT count(*) FROM performed_sets"))).scalar_one() == 2


async def test_granting_again_takes_away_what_is_too_much(addresses: tuple[str, str]) -> None:
    """The rights are these, whatever was granted by hand before."""
    owner, served = addresses
    role = served.split("//")[1].split("@")[0]
    async with another(owner) as store:
        async with writing(store) as w:
            await w.execute(text(f'GRANT ALL ON ALL TABLES IN SCHEMA public TO "{role}"'))
        await grant_rights(store, role)
    async with another(served) as store:
        with pytest.raises(StorageUnavailable, match="refuses this user"):
            async with writing(store) as w:
                await w.execute(text("TRUNCATE performed_sets"))


async def test_a_role_that_could_go_round_the_policies_is_refused() -> None:
    """The owner, one that owns a table, roles that are not there, names that are none; on SQLite every role."""
    with new_role() as role, fresh_database("postgresql") as url:
        address = make_url(url)
        async with another(url) as store, writing(store) as w:
            await w.execute(text(f"GRANT CREATE ON SCHEMA public TO {role}"))
        theirs = address.set(username=role).render_as_string(hide_password=False)
        async with another(theirs) as store, writing(store) as w:
            await w.execute(text("CREATE TABLE public.mine (x int)"))
        wrong = (
            role,
            str(address.username),
            f"missing_{new_id(NOW).hex}",
            "x; DROP TABLE lifters",
            'a"b',
            "",
        )
        async with another(url) as store:
            for name in wrong:
                with pytest.raises(SettingsInvalid, match="--api-role"):
                    await grant_rights(store, name)
    with fresh_database("sqlite") as url:
        async with another(url) as store:
            with pytest.raises(SettingsInvalid, match="SQLite"):
                await grant_rights(store, "effort_api")
