"""Callers who ask for prescriptions without history, and never try again: they see every error there is."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx

from tests.ops.clients import Load

PRESCRIBERS, REST_SECONDS = 4, 0.005


@asynccontextmanager
async def prescribing(load: Load) -> AsyncIterator[Counter[str]]:
    """Yield what they see at the address of a load until the end of the block, by status or by what went wrong."""
    seen: Counter[str] = Counter()
    stop = asyncio.Event()

    async def ask() -> None:
        async with load.client("harbour-street-gym") as client:
            while not stop.is_set():
                seen[await _asked(client)] += 1
                await asyncio.sleep(max(REST_SECONDS, load.period_seconds))

    async with asyncio.TaskGroup() as tasks:
        for _ in range(PRESCRIBERS):
            tasks.create_task(ask())
        try:
            yield seen
        finally:
            stop.set()


async def _asked(client: httpx.AsyncClient) -> str:
    try:
        answer = await client.post("/v1/prescriptions", json={"rep_target": 8, "exercise": "leg_press"})
    except httpx.TransportError as error:
        return type(error).__name__
    return str(answer.status_code)
