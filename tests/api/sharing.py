"""Processes that share quotas through a Redis.

Redis fills buckets by its own clock, so quotas here are small: an item takes far longer to come than a test does.
"""

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from uuid import uuid4

import httpx

from service.api.quotas import LocalQuotas, Quota
from service.api.shared_quotas import SharedQuotas
from service.storage.keys import Principal
from tests.databases import fresh_database
from tests.serving import make_key, served

ONE = {"rep_target": 8}
FOUR_A_MINUTE = {"EFFORT_RATE_LIMIT_PER_MINUTE": "4"}
BACK_SECONDS = 20
# A test that is not about waiting waits: on a busy machine Redis may answer later than a service would let it.
AMPLE_SECONDS = 10.0


def principal() -> Principal:
    """Return somebody new."""
    return Principal(tenant_id=uuid4(), key_id=uuid4().hex, scopes=frozenset(), sites=None, expires_at=None)


@asynccontextmanager
async def shared(
    url: str, per_key: int = 4, per_tenant: int = 0, *, patience_seconds: float = AMPLE_SECONDS
) -> AsyncIterator[SharedQuotas]:
    """Quotas as one process has them."""
    limits = {"key": per_key, "tenant": per_tenant}
    local = LocalQuotas(tuple(Quota(name, n) for name, n in limits.items() if n))
    quotas = SharedQuotas(url, local, patience_seconds=patience_seconds)
    yield quotas
    await quotas.close()


@asynccontextmanager
async def replicas(count: int, redis_url: str, **environ: str) -> AsyncIterator[list[httpx.AsyncClient]]:
    """Clients of so many applications on one database and one Redis, with one key."""
    with fresh_database("sqlite") as url:
        token = (await make_key(url, "prescribe", "history:write", "history:read")).token
        settings = FOUR_A_MINUTE | environ | {"EFFORT_REDIS_URL": redis_url}
        async with AsyncExitStack() as stack:
            yield [
                await stack.enter_async_context(served(url, token=token, **settings)) for _ in range(count)
            ]


async def status(client: httpx.AsyncClient) -> int:
    """Return the status of the answer to one context."""
    return (await client.post("/v1/prescriptions?detail=brief", json=ONE)).status_code


async def back(quotas: SharedQuotas) -> None:
    """Return once Redis is used again."""
    until = time.monotonic() + BACK_SECONDS
    while quotas._looking is not None:
        assert time.monotonic() < until, "Redis is up, and not used"
        await asyncio.sleep(0.05)
