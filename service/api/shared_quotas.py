"""Buckets in Redis, shared by all processes and replicas; buckets of this process while Redis is away.

All requests that wait at the same time are asked for in one call of one script, which Redis runs atomically by its own
clock. What it answers is remembered: buckets of others only get emptier, so a request that cannot be paid by what is
remembered is refused without asking, and callers over their quota are no load to Redis.
"""

import asyncio
import logging
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from redis.asyncio import Redis
from redis.asyncio.retry import Retry
from redis.backoff import NoBackoff

from service.api.quotas import LocalQuotas, Taken, answer_of
from service.errors import SettingsInvalid
from service.storage.keys import Principal

PATIENCE_SECONDS = 0.25
PAUSE_SECONDS = 1.0  # between looks whether Redis is back
MOST_IN_A_CALL = 256
# KEYS: the buckets of the first request, of the second, ... ARGV: how many buckets each has, their quotas [items a
# minute], then the cost of each request. Returns for each: the wait [s], and the level of each bucket.
SCRIPT = """
local time = redis.call('TIME')
local now = time[1] + time[2] / 1000000
local buckets = tonumber(ARGV[1])
local answer = {}
for request = 1, #ARGV - 1 - buckets do
  local cost, wait, levels = tonumber(ARGV[1 + buckets + request]), 0, {}
  for i = 1, buckets do
    local quota = tonumber(ARGV[1 + i])
    local held = redis.call('HMGET', KEYS[(request - 1) * buckets + i], 'level', 'at')
    levels[i] = quota
    if held[1] then
      levels[i] = math.min(quota, held[1] + math.max(0, now - held[2]) * quota / 60)
    end
    local short = math.min(cost, quota) - levels[i]
    if short > 0.000001 then wait = math.max(wait, (short - 0.000001) * 60 / quota, 0.000001) end
  end
  answer[#answer + 1] = string.format('%.6f', wait)
  for i = 1, buckets do
    if wait == 0 then
      local key, quota = KEYS[(request - 1) * buckets + i], tonumber(ARGV[1 + i])
      levels[i] = levels[i] - cost
      redis.call('HSET', key, 'level', string.format('%.6f', levels[i]), 'at', string.format('%.6f', now))
      redis.call('PEXPIRE', key, math.ceil((quota - levels[i]) * 60000 / quota) + 1000)
    end
    answer[#answer + 1] = string.format('%.6f', levels[i])
  end
end
return answer
"""
_log = logging.getLogger("service.api")


class _Asked(NamedTuple):
    principal: Principal
    cost: int
    answer: asyncio.Future[Taken]


class SharedQuotas:
    """Buckets in the Redis at `url`. `local` says what is limited, and stands in while Redis is away."""

    def __init__(self, url: str, local: LocalQuotas, *, patience_seconds: float = PATIENCE_SECONDS) -> None:
        self._local = local
        self._patience_seconds = patience_seconds
        try:
            self._redis = Redis.from_url(
                url,
                socket_timeout=patience_seconds,
                socket_connect_timeout=patience_seconds,
                retry=Retry(NoBackoff(), 1),  # a connection Redis closed while idle is no outage
            )
        except ValueError as error:
            raise SettingsInvalid(
                "EFFORT_REDIS_URL takes redis://host:port/number, rediss:// or unix://"
            ) from error
        self._script = self._redis.register_script(SCRIPT)
        self._waiting: list[_Asked] = []
        self._asking: asyncio.Task[None] | None = None
        self._looking: asyncio.Task[None] | None = None

    def left(self, principal: Principal, cost: int) -> Taken:
        """Return what `take` would answer as far as this process knows: a refusal is right, the rest is not sure."""
        return self._local.left(principal, cost)

    async def take(self, principal: Principal, cost: int) -> Taken:
        """Take `cost` items from every bucket of `principal`, or from none. Never fails."""
        if self._looking is not None:
            return await self._local.take(principal, cost)
        known = self._local.left(principal, cost)
        if known.retry_after_seconds or not self._local.quotas:
            return known
        answer: asyncio.Future[Taken] = asyncio.get_running_loop().create_future()
        self._waiting.append(_Asked(principal, cost, answer))
        if self._asking is None:
            self._asking = asyncio.create_task(self._ask_for_all())
        return await answer

    async def _ask_for_all(self) -> None:
        try:
            while self._waiting:
                asked, self._waiting = self._waiting[:MOST_IN_A_CALL], self._waiting[MOST_IN_A_CALL:]
                await self._answer(asked)
        finally:
            self._asking = None

    async def _answer(self, asked: Sequence[_Asked]) -> None:
        if self._looking is None:
            try:
                return await self._ask(asked)
            except Exception:  # noqa: BLE001 - no answer of Redis, however odd, stops a request
                self._looking = asyncio.create_task(self._look())
        for each in asked:
            taken = await self._local.take(each.principal, each.cost)
            if not each.answer.done():
                each.answer.set_result(taken)
        return None

    async def _ask(self, asked: Sequence[_Asked]) -> None:
        quotas, at = self._local.quotas, self._local.monotonic()
        keys = [
            f"effort:quota:{quota.name}:{quota.owner(each.principal)}" for each in asked for quota in quotas
        ]
        costs = [each.cost for each in asked]
        numbers = await self._run(keys, [len(quotas), *(quota.per_minute for quota in quotas), *costs])
        for each in asked:
            wait = next(numbers)
            held = [(quota, quota.bucket(each.principal, at)) for quota in quotas]
            for _, bucket in held:
                bucket.level, bucket.at = next(numbers), at
            if not each.answer.done():
                each.answer.set_result(answer_of(self._local.policy, held, wait))

    async def _run(self, keys: list[str], arguments: list[int]) -> Iterator[float]:
        async with asyncio.timeout(self._patience_seconds):
            return iter([float(number) for number in await self._script(keys, arguments)])

    async def _look(self) -> None:
        """Until Redis answers again. The first look is at once: it may be we who were busy for too long."""
        told = False
        while (error := await self._fault()) is not None:
            if not told:
                _log.warning("Redis is away (%s): quotas hold for each process by itself", error)
            told = True
            await asyncio.sleep(PAUSE_SECONDS)
        if told:
            _log.warning("Redis is back: quotas are shared again")
        for quota in self._local.quotas:
            quota.forget()  # what was taken meanwhile, Redis does not know
        self._looking = None

    async def _fault(self) -> str | None:
        """Return what is wrong with Redis: to read and write a bucket says more than a ping."""
        try:
            await self._run(["effort:quota:look"], [1, 1, 0])
        except Exception as error:  # noqa: BLE001 - as above
            return type(error).__name__
        return None

    async def close(self) -> None:
        """Close the connections to Redis."""
        tasks = [task for task in (self._asking, self._looking) if task is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._redis.aclose()
