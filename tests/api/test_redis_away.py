"""Redis dies, freezes, refuses, is something else: no request fails, and quotas hold in each process meanwhile."""

import asyncio
import logging
import time
from contextlib import suppress

import pytest
from redis import Redis

from service.api.shared_quotas import PATIENCE_SECONDS
from service.errors import SettingsInvalid
from tests.api.sharing import BACK_SECONDS, back, principal, replicas, shared, status
from tests.redis import RedisServer
from tests.serving import served


async def told_twice(caplog: pytest.LogCaptureFixture, word: str) -> None:
    """Wait until two processes have told it of Redis."""
    until = time.monotonic() + BACK_SECONDS
    while sum(word in record.getMessage() for record in caplog.records) < 2:
        assert time.monotonic() < until, f"no {word}"
        await asyncio.sleep(0.05)


async def test_redis_dies_midway_and_comes_back(redis: RedisServer, caplog: pytest.LogCaptureFixture) -> None:
    """No error reaches a caller; each process goes on from what it last knew; then they share again. Told once."""
    async with replicas(2, redis.url) as (one, other):
        assert [await status(each) for each in (one, one, other)] == [200, 200, 200]
        redis.kill()
        # The first one last saw two left, the second one: with nobody to ask, each may spend what it saw.
        assert [await status(one) for _ in range(3)] == [200, 200, 429]
        assert [await status(other) for _ in range(2)] == [200, 429]
        await told_twice(caplog, "away")
        redis.start()
        await told_twice(caplog, "back")
        assert [await status(each) for each in (one, other, one, other, one)] == [200, 200, 200, 200, 429]
    told = [record.getMessage() for record in caplog.records if record.name == "service.api"]
    assert sum("away" in each for each in told) == 2, told  # each process once
    assert sum("back" in each for each in told) == 2, told
    assert all(record.levelno == logging.WARNING for record in caplog.records)


async def test_a_frozen_redis_holds_up_nobody_for_long(redis: RedisServer) -> None:
    """Connections stand and nothing comes: one wait of a quarter second, then none.

    Waits in turn would add up to far more than the machine may lose meanwhile.
    """
    async with shared(redis.url, 1000, patience_seconds=PATIENCE_SECONDS) as quotas:
        await quotas.take(principal(), 1)
        redis.freeze()
        began = time.monotonic()
        first = await asyncio.gather(*(quotas.take(principal(), 1) for _ in range(300)))
        waited = time.monotonic() - began
        later = [await quotas.take(principal(), 1) for _ in range(100)]
        after = time.monotonic() - began - waited
        redis.thaw()
        await back(quotas)
        assert (await quotas.take(principal(), 1)).retry_after_seconds == 0
    assert not any(answer.retry_after_seconds for answer in (*first, *later))
    assert waited < 20 * PATIENCE_SECONDS
    assert after < 20 * PATIENCE_SECONDS


async def test_a_process_that_was_busy_itself_goes_on_sharing(
    redis: RedisServer, caplog: pytest.LogCaptureFixture
) -> None:
    """A long computation in the loop looks like a silent Redis; a second look shows that it is none."""
    who = principal()
    async with shared(redis.url, 4, patience_seconds=PATIENCE_SECONDS) as quotas:
        await quotas.take(who, 1)
        for _ in range(3):
            asking = asyncio.create_task(quotas.take(principal(), 1))
            await asyncio.sleep(0.0005)
            time.sleep(2 * PATIENCE_SECONDS)  # noqa: ASYNC251 - nothing else may run, that is the point
            assert (await asking).retry_after_seconds == 0
        await back(quotas)
        assert dict((await quotas.take(who, 1)).headers)[b"ratelimit"] == b'"key";r=2;t=30'
    assert caplog.records == []


async def test_a_redis_that_answers_and_cannot_write_is_away(
    redis: RedisServer, caplog: pytest.LogCaptureFixture
) -> None:
    """Out of memory it still says PONG; told once, not with every look."""
    with Redis.from_url(redis.url) as client:
        client.config_set("maxmemory", 1)
        async with shared(redis.url, 1000) as quotas:
            for _ in range(5):
                assert (await quotas.take(principal(), 1)).retry_after_seconds == 0
                await asyncio.sleep(0.5)
            assert [record.getMessage()[:13] for record in caplog.records] == ["Redis is away"]
            client.config_set("maxmemory", 0)
            await back(quotas)
    assert [record.getMessage()[:13] for record in caplog.records] == ["Redis is away", "Redis is back"]


async def test_without_a_redis_from_the_start_quotas_hold_in_the_process() -> None:
    """Nothing listens at the address: served all the same, and limited."""
    async with replicas(1, "redis://127.0.0.1:1/0") as (client,):
        assert [await status(client) for _ in range(5)] == [200, 200, 200, 200, 429]


@pytest.mark.parametrize(
    "said", [b"*1\r\n$3\r\nabc\r\n", b"HTTP/1.1 400 Bad Request\r\n\r\n", b":1\r\n", b""]
)
async def test_something_else_than_redis_stops_no_request(said: bytes) -> None:
    """Whatever listens there and says: requests go on, limited in the process."""

    async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):  # who hangs up before all was read resets the connection
            while await reader.read(1000):
                writer.write(said)
        writer.close()

    server = await asyncio.start_server(babble, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with replicas(1, f"redis://127.0.0.1:{port}/0") as (client,):
        assert [await status(client) for _ in range(5)] == [200, 200, 200, 200, 429]
    server.close()


async def test_a_redis_that_refuses_us_stops_no_request(redis: RedisServer) -> None:
    """A password we do not have; a Redis out of memory."""
    with Redis.from_url(redis.url) as client:
        client.config_set("maxmemory", 1)
        async with replicas(1, redis.url) as (one,):
            assert [await status(one) for _ in range(5)] == [200, 200, 200, 200, 429]
        client.config_set("maxmemory", 0)
        client.config_set("requirepass", "unknown-to-us")
    async with replicas(1, redis.url) as (one,):
        assert [await status(one) for _ in range(5)] == [200, 200, 200, 200, 429]


@pytest.mark.parametrize("url", ["127.0.0.1:6379", "http://127.0.0.1", "redis://127.0.0.1:port/0"])
async def test_an_address_that_cannot_be_is_told_at_the_start(url: str) -> None:
    """By the name of the setting, without the address: it may hold a password."""
    with pytest.raises(SettingsInvalid, match="EFFORT_REDIS_URL takes redis://") as caught:
        async with served("sqlite:///unused.db", EFFORT_REDIS_URL=url):
            pass
    assert url not in str(caught.value)
