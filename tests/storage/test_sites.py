"""Sites on both databases: made once, known by name, deleted when nothing needs them."""

import asyncio
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from service.errors import Conflicting
from service.storage.engine import Store, writing
from service.storage.key_rotation import revoke_key
from service.storage.keys import NewKey, create_key
from service.storage.lifters import erase_lifter, put_lifter
from service.storage.sites import Site, delete_site, hold_sites, known_sites, list_sites, make_sites
from service.storage.tenancy import Reach, reading_within, tenant_reading, tenant_writing
from tests.storage.history import LIFTER, NOW, another, put, tenant

LATER = NOW + timedelta(days=1)
EMPTY: dict[str, Any] = {"experience": None, "goal": None, "cautions": ()}


async def make_key(store: Store, **details: Any) -> NewKey:
    """A key made in a transaction of its own."""
    async with writing(store) as w:
        return await create_key(w, tenant="gym-chain", scopes=["admin"], now=NOW, **details)


async def deleted(store: Store, tenant_id: UUID, name: str) -> bool:
    """What `delete_site` says in a transaction of its own."""
    async with tenant_writing(store, tenant_id) as w:
        return await delete_site(w, tenant_id, name, now=LATER)


async def test_sites_are_made_once_and_listed_by_name(store: Store) -> None:
    """A second making changes nothing; another tenant's site of that name is another."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    async with tenant_writing(store, one) as w:
        assert await make_sites(w, one, ["south", "north"], now=NOW) == {"north", "south"}
        assert await make_sites(w, one, ["south", "east"], now=LATER) == {"east"}
        assert await make_sites(w, one, [], now=LATER) == frozenset()
        kept = await list_sites(w, one)
    assert kept == (
        Site(name="east", created_at=LATER),
        Site(name="north", created_at=NOW),
        Site(name="south", created_at=NOW),
    )
    async with tenant_reading(store, other) as r:
        assert await list_sites(r, other) == ()
        assert await known_sites(r, other, ["north"]) == frozenset()


async def test_who_is_bound_to_sites_sees_those(store: Store) -> None:
    """In the list and by name."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        await make_sites(w, tenant_id, ["north", "south", "east"], now=NOW)
    async with reading_within(store, Reach(tenant_id, frozenset({"north", "gone"}))) as r:
        assert [site.name for site in await list_sites(r, tenant_id)] == ["north"]
        assert await known_sites(r, tenant_id, ["north", "south", "gone"]) == {"north"}


async def test_a_key_makes_the_sites_it_is_bound_to(store: Store) -> None:
    """On the command line; those that are there stay."""
    key = await make_key(store, sites=["north", "south"])
    await make_key(store, sites=["south", "east"])
    async with tenant_reading(store, key.tenant_id) as r:
        assert [site.name for site in await list_sites(r, key.tenant_id)] == ["east", "north", "south"]


async def test_a_site_in_use_stays(store: Store) -> None:
    """While a lifter belongs to it, or a live key is bound to it, be it beside others; then it can be deleted, once."""
    key = await make_key(store, sites=["north", "south"])
    brief = await make_key(store, sites=["north"], expires_at=LATER)
    tenant_id = key.tenant_id
    await put(store, tenant_id, site="north")
    for site in ("north", "south"):
        with pytest.raises(Conflicting):
            await deleted(store, tenant_id, site)
    async with writing(store) as w:
        await revoke_key(w, key_id=key.key_id, now=NOW)
    assert await deleted(store, tenant_id, "south")
    with pytest.raises(Conflicting):
        await deleted(store, tenant_id, "north")
    async with tenant_writing(store, tenant_id) as w:
        await erase_lifter(w, tenant_id, LIFTER)
    assert brief.key_id  # ended by now
    assert await deleted(store, tenant_id, "north")
    assert not await deleted(store, tenant_id, "north")
    async with tenant_reading(store, tenant_id) as r:
        assert await list_sites(r, tenant_id) == ()


async def test_another_tenants_site_cannot_be_deleted(store: Store) -> None:
    """Nor one beyond the sites somebody is bound to."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    for tenant_id in (one, other):
        async with tenant_writing(store, tenant_id) as w:
            await make_sites(w, tenant_id, ["north" if tenant_id == one else "south", "east"], now=NOW)
    assert not await deleted(store, other, "north")
    assert await deleted(store, one, "north")
    await put(store, other, site="east")
    await make_key(store, sites=["east"])
    assert await deleted(store, one, "east")
    async with tenant_reading(store, other) as r:
        assert [site.name for site in await list_sites(r, other)] == ["east", "south"]


async def test_a_site_at_which_somebody_is_put_right_now_stays(store: Store, database_url: str) -> None:
    """It is refused (PostgreSQL) or waits (SQLite), but no lifter is left at a site that is gone."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        await make_sites(w, tenant_id, ["north", "south"], now=NOW)
    async with another(database_url) as second:
        async with tenant_writing(store, tenant_id) as w:
            assert await hold_sites(w, tenant_id, ["north", "gone"]) == {"north"}
            deleting = asyncio.create_task(deleted(second, tenant_id, "north"))
            if store.kind == "postgresql":
                with pytest.raises(Conflicting):
                    await deleting
                assert await deleted(second, tenant_id, "south")
            await put_lifter(w, tenant_id, LIFTER, site="north", now=NOW, **EMPTY)
        with pytest.raises(Conflicting):
            await deleting
        with pytest.raises(Conflicting):
            await deleted(second, tenant_id, "north")


async def test_who_holds_a_site_that_is_being_deleted_waits_and_finds_none(
    store: Store, database_url: str
) -> None:
    """Others do not wait; who makes the site meanwhile makes it anew, and whoever sees it then keeps it."""
    tenant_id, other = await tenant(store), await tenant(store, "another-gym")
    async with tenant_writing(store, tenant_id) as w:
        await make_sites(w, tenant_id, ["north", "south"], now=NOW)
    async with another(database_url) as second:

        async def held(name: str) -> frozenset[str]:
            async with tenant_writing(second, tenant_id) as w:
                return await hold_sites(w, tenant_id, [name])

        async def made(by: UUID, name: str) -> tuple[frozenset[str], tuple[Site, ...]]:
            async with tenant_writing(second, by) as w:
                return await make_sites(w, by, [name], now=LATER), await list_sites(w, by)

        async with tenant_writing(store, tenant_id) as w:
            for name in ("north", "south"):
                assert await delete_site(w, tenant_id, name, now=LATER)
            if store.kind == "postgresql":
                assert (await made(other, "north"))[0] == {"north"}
            waiting = asyncio.gather(held("north"), made(tenant_id, "south"))
            await asyncio.sleep(0.1)
            assert not waiting.done()
        assert await waiting == [frozenset(), ({"south"}, (Site(name="south", created_at=LATER),))]


async def test_a_site_that_is_made_again_stays_until_it_was_shown(store: Store, database_url: str) -> None:
    """Who makes one that is there reads it in the same transaction, and may rely on it."""
    if store.kind == "sqlite":
        return  # there is one writer
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        await make_sites(w, tenant_id, ["north"], now=NOW)
    async with another(database_url) as second, tenant_writing(store, tenant_id) as w:
        assert await make_sites(w, tenant_id, ["north"], now=LATER) == frozenset()
        with pytest.raises(Conflicting):
            await deleted(second, tenant_id, "north")
        assert await list_sites(w, tenant_id) == (Site(name="north", created_at=NOW),)


async def test_a_site_made_at_once_is_one_site(store: Store, database_url: str) -> None:
    """One of the makers is told that it is new."""
    tenant_id = await tenant(store)
    async with another(database_url) as second:

        async def make(through: Store) -> frozenset[str]:
            async with tenant_writing(through, tenant_id) as w:
                return await make_sites(w, tenant_id, ["north"], now=NOW)

        made = await asyncio.gather(*(make(through) for through in (store, second) * 3))
    assert sorted(map(len, made)) == [0, 0, 0, 0, 0, 1]
