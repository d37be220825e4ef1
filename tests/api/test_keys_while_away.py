"""Keys while the database does not answer: those it has vouched for may prescribe, for a while, and nothing else."""

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest

from service.api.clock import now
from service.api.keyring import REMEMBERED_SECONDS, TRUSTED_SECONDS, KeyRing
from service.errors import StorageUnavailable, Unauthenticated
from service.storage.engine import Store, close_store, open_store, writing
from service.storage.key_rotation import revoke_key
from service.storage.keys import NewKey
from tests.databases import fresh_database
from tests.serving import make_key

AWAY = "postgresql://nobody@127.0.0.1:1/nothing"


class Clock:
    """Seconds, moved by hand."""

    def __init__(self) -> None:
        self.seconds = 100.0

    def __call__(self) -> float:
        """Return the seconds now."""
        return self.seconds


@pytest.fixture
def url() -> Iterator[str]:
    """A database that keys are in."""
    with fresh_database("sqlite") as fresh:
        yield fresh


@pytest.fixture
async def key(url: str) -> NewKey:
    """A key that may do everything."""
    return await make_key(url, "prescribe", "history:read", "history:write")


@pytest.fixture
def clock() -> Clock:
    """The clock of `ring`."""
    return Clock()


@pytest.fixture
async def ring(url: str, clock: Clock) -> AsyncIterator[KeyRing]:
    """Keys on a database that answers."""
    store = open_store(url)
    yield KeyRing(store, monotonic=clock)
    await close_store(store)


@pytest.fixture
async def away() -> AsyncIterator[Store]:
    """A database nobody can reach."""
    store = open_store(AWAY)
    yield store
    await close_store(store)


@contextmanager
def silence() -> Iterator[Store]:
    """Yield a database that takes connections and says nothing. Close it within the block."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        yield open_store(f"postgresql://nobody@127.0.0.1:{listening.getsockname()[1]}/nothing")


async def ask(ring: KeyRing, key: NewKey, *scopes: str) -> str:
    """Return the id of the key that is let in for `scopes`."""
    return (await ring.principal(f"Bearer {key.token}", scopes or ("prescribe",))).key_id


async def test_a_key_seen_alive_prescribes_for_a_quarter_of_an_hour(
    ring: KeyRing, key: NewKey, clock: Clock, away: Store
) -> None:
    """Then nobody knows any more whether it was revoked."""
    assert await ask(ring, key) == key.key_id
    ring._store = away
    seen = clock.seconds
    while clock.seconds + 7 < seen + TRUSTED_SECONDS:
        clock.seconds += 7
        assert await ask(ring, key) == key.key_id
        assert ring.remembered(key.token) is not None  # the fast path, too
    clock.seconds = seen + TRUSTED_SECONDS + 0.1
    assert ring.remembered(key.token) is None
    with pytest.raises(StorageUnavailable):
        await ask(ring, key)


@pytest.mark.parametrize("scopes", [("history:write",), ("prescribe", "history:read"), ("admin",)], ids=str)
async def test_nothing_but_prescribing_is_done_on_trust(
    ring: KeyRing, key: NewKey, clock: Clock, away: Store, scopes: tuple[str, ...]
) -> None:
    """Also in the seconds after a prescription was let through on trust."""
    await ask(ring, key)
    ring._store = away
    clock.seconds += REMEMBERED_SECONDS + 1
    assert await ask(ring, key) == key.key_id
    assert ring.remembered(key.token, scopes) is None
    with pytest.raises(StorageUnavailable):
        await ask(ring, key, *scopes)


async def test_a_key_never_seen_is_not_trusted(ring: KeyRing, key: NewKey, away: Store) -> None:
    """503, for it may be a good one; never let in."""
    ring._store = away
    with pytest.raises(StorageUnavailable):
        await ask(ring, key)


async def test_a_key_known_to_be_revoked_is_not_trusted(
    ring: KeyRing, key: NewKey, clock: Clock, away: Store
) -> None:
    """What was seen of it alive before does not count."""
    await ask(ring, key)
    async with writing(ring._store) as session:
        await revoke_key(session, key_id=key.key_id, now=now())
    clock.seconds += REMEMBERED_SECONDS + 1
    with pytest.raises(Unauthenticated):
        await ask(ring, key)
    ring._store = away
    with pytest.raises(StorageUnavailable):
        await ask(ring, key)


async def test_a_key_found_revoked_while_others_wait_is_not_trusted(
    ring: KeyRing, key: NewKey, clock: Clock
) -> None:
    """One request hears nothing of the database, another one at the same time hears that the key is revoked."""
    await ask(ring, key)
    there = ring._store
    async with writing(there) as session:
        await revoke_key(session, key_id=key.key_id, now=now())
    with silence() as silent:
        ring._store = silent
        clock.seconds += REMEMBERED_SECONDS + 1
        waiting = asyncio.create_task(ask(ring, key))
        await asyncio.sleep(0.2)
        ring._store = there
        with pytest.raises(Unauthenticated):
            await ask(ring, key, "history:read")
        with pytest.raises(Unauthenticated):
            await waiting
        assert ring.remembered(key.token) is None
        await ring.close()
        await close_store(silent)


async def test_a_key_revoked_meanwhile_stops_once_the_database_is_back(
    ring: KeyRing, key: NewKey, clock: Clock, away: Store
) -> None:
    """Within the same five seconds as ever."""
    await ask(ring, key)
    there, ring._store = ring._store, away
    clock.seconds += 60
    assert await ask(ring, key) == key.key_id
    ring._store = there
    async with writing(there) as session:
        await revoke_key(session, key_id=key.key_id, now=now())
    clock.seconds += REMEMBERED_SECONDS + 0.1
    with pytest.raises(Unauthenticated):
        await ask(ring, key)


async def test_an_expired_key_is_not_trusted(url: str, clock: Clock, away: Store) -> None:
    """Its end needs no database."""
    start, offset = now(), [timedelta()]
    key = await make_key(url, expires_at=start + timedelta(seconds=60))
    store = open_store(url)
    ring = KeyRing(store, now=lambda: start + offset[0], monotonic=clock)
    await ask(ring, key)
    ring._store = away
    offset[0], clock.seconds = timedelta(seconds=61), clock.seconds + 61
    with pytest.raises(Unauthenticated):
        await ask(ring, key)
    await close_store(store)


async def test_a_database_that_says_nothing_costs_a_second_once(
    ring: KeyRing, key: NewKey, clock: Clock
) -> None:
    """Forty requests at once ask once; those after them do not wait at all."""
    await ask(ring, key)
    with silence() as silent:
        ring._store = silent
        clock.seconds += REMEMBERED_SECONDS + 1
        began = time.monotonic()
        assert await asyncio.gather(*(ask(ring, key) for _ in range(40))) == [key.key_id] * 40
        waited = time.monotonic() - began
        assert 0.9 < waited < 10
        assert len(ring._asking) == 1
        began = time.monotonic()
        assert [await ask(ring, key) for _ in range(20)] == [key.key_id] * 20
        assert time.monotonic() - began < 10  # waiting again, twenty would take twenty seconds
        await ring.close()
        await close_store(silent)
