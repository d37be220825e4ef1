"""Quotas in Redis: shared to the item, and as they are in one process."""

import asyncio
import re
import time
from contextlib import AsyncExitStack

import pytest
from redis import Redis

from service.api.quotas import LocalQuotas, Quota, Taken
from service.api.shared_quotas import SharedQuotas
from tests.api.gym import path, post_sets, set_body
from tests.api.sharing import AMPLE_SECONDS, ONE, principal, replicas, shared, status
from tests.databases import fresh_database
from tests.redis import RedisServer
from tests.serving import make_key, served


@pytest.fixture(autouse=True)
def _patient_replicas(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine that stands still for a quarter second would make each replica count by itself."""
    monkeypatch.setattr(SharedQuotas.__init__, "__kwdefaults__", {"patience_seconds": AMPLE_SECONDS})


async def test_two_replicas_share_one_quota(redis: RedisServer) -> None:
    """Four a minute through both together, whoever is asked; both refuse afterwards."""
    async with replicas(2, redis.url) as (one, other):
        found = [await status(client) for client in (one, other, other, one, other, one)]
    assert found == [200, 200, 200, 200, 429, 429]


async def test_what_is_left_is_told_as_redis_has_it(redis: RedisServer) -> None:
    """The second replica knows what the first one let in; sets and contexts count one by one."""
    async with replicas(2, redis.url, EFFORT_RATE_LIMIT_PER_MINUTE="10") as (one, other):
        await post_sets(one, set_body(1), set_body(2), set_body(3))
        answer = await other.post("/v1/prescriptions/batch", json={"contexts": [ONE] * 4})
        over = await one.post("/v1/prescriptions/batch", json={"contexts": [ONE] * 4})
    assert answer.headers["ratelimit"] == '"key";r=3;t=18'
    assert answer.headers["ratelimit-policy"] == '"key";q=10;w=60'
    waits = over.headers["retry-after"]  # of the six seconds that an item takes, some may have gone by
    assert (over.status_code, over.headers["ratelimit"]) == (429, f'"key";r=3;t={waits}')
    assert 3 <= int(waits) <= 6


async def test_keys_of_a_tenant_share_its_quota_across_replicas(redis: RedisServer) -> None:
    """Two keys, two replicas, one tenant: three in all; another tenant has its own three."""
    settings = {"EFFORT_TENANT_RATE_LIMIT_PER_MINUTE": "3", "EFFORT_REDIS_URL": redis.url}
    with fresh_database("sqlite") as url:
        tokens = [(await make_key(url, tenant=name)).token for name in ("quay", "quay", "mill")]
        async with AsyncExitStack() as stack:
            keys = [await stack.enter_async_context(served(url, token=each, **settings)) for each in tokens]
            found = [await status(keys[number]) for number in (0, 1, 1, 0, 1, 2, 2, 2, 2)]
    assert found == [200, 200, 200, 429, 429, 200, 200, 200, 429]


async def test_many_at_once_get_the_quota_and_not_one_more(redis: RedisServer) -> None:
    """200 tasks on two processes, at the same moment."""
    who = principal()
    async with shared(redis.url, 60) as one, shared(redis.url, 60) as other:
        began = time.monotonic()
        answers = await asyncio.gather(*((one, other)[n % 2].take(who, 1) for n in range(200)))
        came_in = time.monotonic() - began  # one item a second
    granted = sum(not answer.retry_after_seconds for answer in answers)
    assert 60 <= granted <= 60 + came_in


@pytest.mark.parametrize("per_tenant", [0, 9])
async def test_redis_and_process_answer_alike(redis: RedisServer, per_tenant: int) -> None:
    """The same costs in the same order: the same are paid and wait, and the same is told of it."""
    who, limits = principal(), tuple(Quota(*each) for each in (("key", 6), ("tenant", per_tenant)) if each[1])
    local = LocalQuotas(limits, monotonic=lambda: 1.0)
    async with shared(redis.url, 6, per_tenant) as quotas:
        for cost in (1, 3, 4, 2, 1, 12, 1):
            assert await quotas.take(who, cost) == await local.take(who, cost)


async def test_what_costs_more_than_a_bucket_goes_into_debt(redis: RedisServer) -> None:
    """As in one process; the bucket is forgotten once it would be full again."""
    who = principal()
    async with shared(redis.url, 6) as quotas:
        assert (await quotas.take(who, 12)).retry_after_seconds == 0
        assert 65 <= (await quotas.take(who, 1)).retry_after_seconds <= 70
    with Redis.from_url(redis.url) as client:
        (key,) = client.keys()
        assert 110_000 < client.pttl(key) <= 121_000


def left(taken: Taken) -> int:
    """Return how many items are left."""
    found = re.search(rb";r=([0-9]+);", dict(taken.headers)[b"ratelimit"])
    assert found is not None
    return int(found[1])


async def test_buckets_fill_by_the_clock_of_redis_and_not_over_the_brim(redis: RedisServer) -> None:
    """A thousand items a second flow in: into an empty bucket as time goes by, into a full one none."""
    empty, full = principal(), principal()
    async with shared(redis.url, 60_000) as quotas:
        began = time.monotonic()
        await quotas.take(empty, 60_000)
        taken = time.monotonic()
        await quotas.take(full, 1)
        await asyncio.sleep(0.3)
        asked = time.monotonic()
        found = left(await quotas.take(empty, 1))
        answered = time.monotonic()
        assert 1000 * (asked - taken) - 2 <= found <= 1000 * (answered - began)
        assert left(await quotas.take(full, 1)) == 59_999


async def test_a_caller_over_the_quota_is_no_load_to_redis(redis: RedisServer) -> None:
    """What Redis refused once is refused without asking, until it may be paid again."""
    who = principal()
    async with shared(redis.url, 2) as quotas:
        await quotas.take(who, 2)
        refused = [await quotas.take(who, 1) for _ in range(50)]
    with Redis.from_url(redis.url) as client:
        calls = client.info("commandstats")["cmdstat_evalsha"]["calls"]
    assert {answer.retry_after_seconds for answer in refused} == {30}
    assert calls <= 3  # the first one finds that the script is not known yet


async def test_those_who_wait_together_are_asked_for_in_one_call(redis: RedisServer) -> None:
    """A hundred requests at once are a handful of calls."""
    async with shared(redis.url, 1000) as quotas:
        await quotas.take(principal(), 1)
        await asyncio.gather(*(quotas.take(principal(), 1) for _ in range(100)))
    with Redis.from_url(redis.url) as client:
        assert client.info("commandstats")["cmdstat_evalsha"]["calls"] <= 5


async def test_a_redis_that_forgot_the_script_is_told_it_again(redis: RedisServer) -> None:
    """As after a restart between two requests: no fallback, no error."""
    who = principal()
    async with shared(redis.url, 4) as quotas:
        await quotas.take(who, 1)
        with Redis.from_url(redis.url) as client:
            client.script_flush()
        assert dict((await quotas.take(who, 1)).headers)[b"ratelimit"] == b'"key";r=2;t=30'
        assert quotas._looking is None


async def test_one_who_leaves_does_not_take_the_others_along(redis: RedisServer) -> None:
    """A request cancelled while it waits for Redis."""
    async with shared(redis.url, 100) as quotas:
        tasks = [asyncio.create_task(quotas.take(principal(), 1)) for _ in range(10)]
        await asyncio.sleep(0)
        tasks[0].cancel()
        answers = await asyncio.gather(*tasks, return_exceptions=True)
    assert isinstance(answers[0], asyncio.CancelledError)
    assert all(getattr(answer, "retry_after_seconds", None) == 0 for answer in answers[1:])


async def test_histories_are_limited_by_redis_too(redis: RedisServer) -> None:
    """Two sets are two items, each read is one."""
    async with replicas(1, redis.url) as (client,):
        assert (await post_sets(client, set_body(1), set_body(2))).status_code == 201
        assert [(await client.get(path("state"))).status_code for _ in range(3)] == [200, 200, 429]
