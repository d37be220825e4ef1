"""The limit that a prescription from history is measured against: the fast path of one without, and a raw read.

For every prescription without history it first reads one row of what is known straight through the driver: asyncpg
with a pool of its own, or sqlite3. For granian; EFFORT_DATABASE_URL, BENCH_TENANT and BENCH_LIFTER say where and whose.
"""

import asyncio
import os
import sqlite3
from typing import Any
from uuid import UUID

import asyncpg  # type: ignore[import-untyped]  # asyncpg ships no types

from service.api.edge import Receive, Scope, Send
from service.app import create_app
from service.settings import read_settings

URL, TENANT, LIFTER = (os.environ[name] for name in ("EFFORT_DATABASE_URL", "BENCH_TENANT", "BENCH_LIFTER"))
_POSTGRESQL = (
    "SELECT content FROM summaries WHERE tenant_id = $1 AND lifter_id = $2 AND kind = 'lifter' AND key = ''"
)
_SQLITE = (
    "SELECT content FROM summaries WHERE tenant_id = ? AND lifter_id = ? AND kind = 'lifter' AND key = ''"
)
_CONNECTIONS = 10

_service = create_app(read_settings(os.environ))
_file = sqlite3.connect(URL.removeprefix("sqlite:///")) if URL.startswith("sqlite") else None
_pool: list[Any] = []
_opening = asyncio.Lock()


async def _read() -> None:
    if _file is not None:
        found = _file.execute(_SQLITE, (UUID(TENANT).hex, LIFTER)).fetchone()
    else:
        async with _opening:
            if not _pool:
                # Row-level security lets it see its tenant from the start: nothing is entered for each read.
                settings = {"app.tenant_id": TENANT, "plan_cache_mode": "force_generic_plan"}
                _pool.append(await asyncpg.create_pool(URL, max_size=_CONNECTIONS, server_settings=settings))
        found = await _pool[0].fetchrow(_POSTGRESQL, UUID(TENANT), LIFTER)
    if found is None:
        raise RuntimeError("nothing is known of the lifter")


async def app(scope: Scope, receive: Receive, send: Send) -> None:
    """Answer as the service does, after one read."""
    if scope["type"] == "http":
        await _read()
    await _service(scope, receive, send)
