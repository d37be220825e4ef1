"""Replacing a key: two live keys for a time, then one; never three."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.errors import Conflicting
from service.storage.engine import Store, reading, writing
from service.storage.key_pages import list_keys
from service.storage.key_rotation import hold_key, revoke_key, rotate_key
from service.storage.keys import KeyRecord, NewKey, Principal, create_key, find_principal
from service.storage.tenancy import Reach
from tests.storage.history import another

NOW = datetime(2026, 12, 1, 18, 30, tzinfo=UTC)
DAY = timedelta(days=1)


async def make(store: Store, **details: Any) -> NewKey:
    """A key made in a transaction of its own."""
    told = {"tenant": "gym-chain", "scopes": ["prescribe", "history:read"], "now": NOW} | details
    async with writing(store) as w:
        return await create_key(w, **told)


async def rotate(store: Store, key_id: str, now: datetime = NOW, overlap: timedelta = DAY) -> NewKey:
    """The successor, made in a transaction of its own."""
    async with writing(store) as w:
        held = await hold_key(w, key_id)
        assert held is not None
        return await rotate_key(w, held, overlap=overlap, now=now)


async def found(store: Store, key: NewKey, now: datetime) -> Principal | None:
    """Who the key belongs to at `now`."""
    async with reading(store) as r:
        return await find_principal(r, key.token, now=now)


async def record(store: Store, key_id: str) -> KeyRecord:
    """The key as it is listed."""
    async with reading(store) as r:
        return next(key for key in await list_keys(r, tenant="gym-chain") if key.key_id == key_id)


async def test_both_keys_live_until_the_overlap_ends(store: Store) -> None:
    """The old one just until then; the new one goes on. The old one says what replaced it."""
    old = await make(store)
    new = await rotate(store, old.key_id)
    end = NOW + DAY
    for key, at, lives in ((old, end - timedelta(microseconds=1), True), (old, end, False), (new, end, True)):
        assert (await found(store, key, at) is not None) == lives
    listed = await record(store, old.key_id)
    assert (listed.replaced_by, listed.expires_at) == (new.key_id, end)
    assert (await record(store, new.key_id)).replaced_by is None


async def test_successor_is_what_the_key_was(store: Store) -> None:
    """Tenant, scopes, sites and label; it is made when it is made, and was never used."""
    old = await make(store, sites=["south", "north"], label="till 3")
    new = await rotate(store, old.key_id, NOW + DAY)
    was, listed = await record(store, old.key_id), await record(store, new.key_id)
    for name in ("tenant_id", "scopes", "sites", "label"):
        assert getattr(listed, name) == getattr(was, name), name
    assert listed.sites == {"north", "south"}
    assert (listed.created_at, listed.last_used_at, listed.expires_at) == (NOW + DAY, None, None)


async def test_successor_lives_as_long_as_the_key_was_to(store: Store) -> None:
    """And a key that ends before the overlap does ends when it was to."""
    old = await make(store, expires_at=NOW + 30 * DAY)
    new = await rotate(store, old.key_id, NOW + 29.5 * DAY)
    assert (await record(store, old.key_id)).expires_at == NOW + 30 * DAY
    assert (await record(store, new.key_id)).expires_at == NOW + 59.5 * DAY


async def test_a_key_has_one_live_successor(store: Store) -> None:
    """A second rotation is refused and makes no key, of the key and of its successor, until one of them is gone."""
    old = await make(store, expires_at=NOW + 30 * DAY)
    new = await rotate(store, old.key_id)
    with pytest.raises(Conflicting, match=new.key_id):
        await rotate(store, old.key_id, NOW + timedelta(hours=1))
    with pytest.raises(Conflicting, match=old.key_id):
        await rotate(store, new.key_id, NOW + timedelta(hours=1))
    async with reading(store) as r:
        assert len(await list_keys(r, tenant="gym-chain")) == 2
    async with writing(store) as w:
        assert await revoke_key(w, key_id=new.key_id, now=NOW)
    third = await rotate(store, old.key_id, NOW + timedelta(hours=1))
    listed = await record(store, third.key_id)
    assert listed.expires_at == NOW + timedelta(hours=1) + 30 * DAY
    assert (await record(store, old.key_id)).replaced_by == third.key_id
    fourth = await rotate(store, third.key_id, NOW + 2 * DAY)
    assert (await record(store, fourth.key_id)).expires_at == NOW + 32 * DAY


async def test_of_two_who_rotate_at_once_one_does(store: Store, database_url: str) -> None:
    """The other is told which key it was replaced by."""
    old = await make(store)
    async with another(database_url) as second:
        done = await asyncio.gather(
            *(rotate(through, old.key_id) for through in (store, second) * 3), return_exceptions=True
        )
    made = [each for each in done if isinstance(each, NewKey)]
    refused = [each for each in done if isinstance(each, Conflicting)]
    assert (len(made), len(refused)) == (1, 5)
    assert all(made[0].key_id in str(each) for each in refused)


async def test_what_is_beyond_a_reach_is_not_held(store: Store) -> None:
    """Another tenant's key, a key of other sites, of more sites, of the whole tenant; within it, it is."""
    mine = await make(store, sites=["north"])
    others = [
        await make(store, tenant="rival", sites=["north"]),
        await make(store, sites=["south"]),
        await make(store, sites=["north", "south"]),
        await make(store),
    ]
    reach = Reach(mine.tenant_id, frozenset({"north"}))
    async with writing(store) as w:
        for other in others:
            assert await hold_key(w, other.key_id, reach) is None
            assert not await revoke_key(w, key_id=other.key_id, now=NOW, within=reach)
        held = await hold_key(w, mine.key_id, reach)
    assert held is not None
    assert held.key_id == mine.key_id
    for other in others:
        assert await found(store, other, NOW) is not None
