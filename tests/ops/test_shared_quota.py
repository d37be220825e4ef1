"""Two replicas, one quota, fifty clients who do not take no for an answer.

The short form ends after 1,500 refusals, the long one (EFFORT_OPS_LONG=1) after 10,000.
"""

import asyncio
import re
import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.databases import fresh_database
from tests.ops.aftermath import LONG, TOLD
from tests.ops.replicas import replica
from tests.redis import RedisServer, running_redis
from tests.serving import make_key

CLIENTS, PER_MINUTE = 50, 900
REFUSALS = 10_000 if LONG else 1_500
WITHIN = 0.02
BODY = b'{"rep_target": 8}'
REQUEST = (
    "POST /v1/prescriptions?detail=brief HTTP/1.1\r\nHost: service.test\r\nAuthorization: Bearer {token}\r\n"
    "Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n"
)
LENGTH, RETRY_AFTER = (
    re.compile(rb"\ncontent-length: (\d+)", re.IGNORECASE),
    re.compile(rb"\nretry-after: [1-9]", re.IGNORECASE),
)


@dataclass
class Flood:
    """What fifty clients sent to all replicas, and got."""

    token: str
    ports: list[int]
    statuses: Counter[int] = field(default_factory=Counter)
    refused_by: Counter[int] = field(default_factory=Counter)
    silent_refusals: int = 0
    began: float = 0.0
    ended: float = 0.0

    async def run(self, *, until_refused: int) -> None:
        """Ask as fast as answers come, until each replica refused its half of so many."""
        self.began = self.began or time.monotonic()
        await asyncio.gather(*(self._client(self.ports[n % 2], until_refused // 2) for n in range(CLIENTS)))
        self.ended = time.monotonic()

    async def _client(self, port: int, until_refused: int) -> None:
        # A client library would take most of the machine for itself.
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        request = REQUEST.format(token=self.token, length=len(BODY)).encode() + BODY
        # Counted for each replica: a quick one could reach a common number before a slow one spent its quota.
        while self.refused_by[port] < until_refused:
            writer.write(request)
            head = await reader.readuntil(b"\r\n\r\n")
            length = LENGTH.search(head)
            assert length is not None, head
            await reader.readexactly(int(length[1]))
            status = int(head[9:12])
            self.statuses[status] += 1
            self.refused_by[port] += status == 429
            self.silent_refusals += status == 429 and RETRY_AFTER.search(head) is None
        writer.close()

    @property
    def seconds(self) -> float:
        """From the first request to the last answer."""
        return self.ended - self.began

    def quotas_let_in(self) -> float:
        """How many times the quota got through: the full bucket and what flowed into it meanwhile are one."""
        return self.statuses[200] / (PER_MINUTE * (1 + self.seconds / 60))


async def flood(tmp_path: Path, redis: RedisServer | None, *, killed_midway: bool = False) -> Flood:
    """Return what came of it on two replicas, with a Redis or without."""
    settings = {
        "EFFORT_RATE_LIMIT_PER_MINUTE": str(PER_MINUTE),
        "EFFORT_REDIS_URL": redis.url if redis else "",
    }
    with fresh_database("sqlite") as url, ExitStack() as stack:
        token = (await make_key(url)).token
        ports = [stack.enter_context(replica(url, tmp_path, **settings)).port for _ in range(2)]
        found = Flood(token, ports)
        await found.run(until_refused=REFUSALS // 2)
        if redis is not None and killed_midway:
            redis.kill()
        await found.run(until_refused=REFUSALS)
    kept = "no Redis" if redis is None else "a Redis killed midway" if killed_midway else "a shared Redis"
    TOLD.append(
        f"{sum(found.statuses.values()):,} requests of {CLIENTS} clients to two replicas with {kept} in "
        f"{found.seconds:.1f} s: {found.quotas_let_in():.3f} times the quota let in"
    )
    assert set(found.statuses) == {200, 429}
    assert found.silent_refusals == 0, "a refusal without Retry-After"
    return found


async def test_two_replicas_with_a_redis_let_the_quota_in_and_no_more(tmp_path: Path) -> None:
    """Within 2 % of one quota."""
    with running_redis() as redis:
        found = await flood(tmp_path, redis)
    assert found.quotas_let_in() == pytest.approx(1, rel=WITHIN)


async def test_without_a_redis_each_process_lets_the_quota_in(tmp_path: Path) -> None:
    """As documented: two processes, twice the quota; the control, too, that shows that the one above shares."""
    found = await flood(tmp_path, None)
    assert found.quotas_let_in() == pytest.approx(2, rel=WITHIN)


async def test_a_redis_that_dies_under_load_is_seen_by_nobody(tmp_path: Path) -> None:
    """No error; from then on each process goes on from the empty bucket it knew, and fills it by itself."""
    with running_redis() as redis:
        found = await flood(tmp_path, redis, killed_midway=True)
    assert 1 - WITHIN < found.quotas_let_in() < 2
