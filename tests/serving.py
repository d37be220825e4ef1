"""The application as it is served, in process: outer layer, lifespan, a live key."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any

import httpx

from service.api.edge import ASGI
from service.app import create_app
from service.settings import Settings, read_settings
from service.storage.engine import close_store, open_store, writing
from service.storage.keys import NewKey, create_key

BASE = "http://service.test"


def settings_for(url: str, **environ: str) -> Settings:
    """Return settings on the database at `url`."""
    return read_settings({"EFFORT_DATABASE_URL": url, **environ})


async def make_key(
    url: str, *scopes: str, tenant: str = "harbour-street-gym", now: datetime | None = None, **more: Any
) -> NewKey:
    """Return a new key of an invented gym."""
    store = open_store(url)
    try:
        async with writing(store) as session:
            return await create_key(
                session, tenant=tenant, scopes=scopes or ("prescribe",), now=now or datetime.now(UTC), **more
            )
    finally:
        await close_store(store)


@asynccontextmanager
async def lifespan_of(app: ASGI) -> AsyncIterator[None]:
    """Start `app` and shut it down, as a server does."""
    incoming: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    outgoing: asyncio.Queue[dict[str, Any]] = asyncio.Queue()

    async def run() -> None:
        await app({"type": "lifespan", "asgi": {"version": "3.0"}}, incoming.get, outgoing.put)

    task = asyncio.create_task(run())
    await incoming.put({"type": "lifespan.startup"})
    assert (await outgoing.get())["type"] == "lifespan.startup.complete"
    try:
        yield
    finally:
        await incoming.put({"type": "lifespan.shutdown"})
        assert (await outgoing.get())["type"] == "lifespan.shutdown.complete"
        await task


@asynccontextmanager
async def served(
    url: str,
    *,
    token: str | None = None,
    shortcut: bool = True,
    monotonic: Callable[[], float] = time.monotonic,
    **environ: str,
) -> AsyncIterator[httpx.AsyncClient]:
    """Yield a client of the application on the database at `url`; `token` goes with every request."""
    app = create_app(settings_for(url, **environ), shortcut=shortcut, monotonic=monotonic)
    headers = {} if token is None else {"authorization": f"Bearer {token}"}
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)  # type: ignore[arg-type]  # ASGI by shape
    async with (
        lifespan_of(app),
        httpx.AsyncClient(transport=transport, base_url=BASE, headers=headers) as client,
    ):
        yield client
