"""A tenant with everything in it, and what strangers' requests are made of, for the tests of OWASP's list."""

import asyncio
import json
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from typing import Any

import httpx

from service.storage.keys import SCOPES, NewKey
from tests.api.gym import GYM, LIFTER, id_of, log, path, set_body
from tests.serving import make_key, served

CANARY = "canary-31c9"
KEYS = "/v1/keys"
NOBODYS = {
    "lifter_id": "nobody-here",
    "set_id": id_of(404),
    "key_id": "abcdefghjkmn",
    "site": "nowhere",
    "entry_id": id_of(404),
}


@asynccontextmanager
async def house(url: str, tenant: str = GYM, **more: Any) -> AsyncIterator[tuple[httpx.AsyncClient, NewKey]]:
    """A client with every scope of a tenant, and its key."""
    key = await make_key(url, *SCOPES, tenant=tenant)
    async with served(url, token=key.token, **more) as client:
        yield client, key


async def furnish(client: httpx.AsyncClient) -> dict[str, str]:
    """Give the house a site, a lifter with sets and a key; return their ids."""
    await client.put("/v1/sites/north")
    await client.put(path(), json={"cautions": ["pregnancy"]})
    await log(client, set_body(1, note=CANARY), set_body(2), set_body(3))
    made = (await client.post(KEYS, json={"scopes": ["prescribe"], "label": CANARY})).json()
    entry = (await client.get("/v1/audit")).json()["entries"][0]["entry_id"]
    return {
        "lifter_id": LIFTER,
        "set_id": id_of(1),
        "key_id": made["key_id"],
        "site": "north",
        "entry_id": entry,
    }


def standstill() -> float:
    """A clock for quotas that stands still, so that nothing comes back."""
    return 5000.0


def texts_in(value: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the place of every text of a body."""
    members = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for name, entry in members:
        yield from texts_in(entry, (*at, name))
    if isinstance(value, str):
        yield at


def with_text(value: Any, at: tuple[Any, ...], text: str) -> Any:
    """Return a copy of a body with `text` at the place."""
    copy = json.loads(json.dumps(value))
    inner = copy
    for name in at[:-1]:
        inner = inner[name]
    inner[at[-1]] = text
    return copy


@asynccontextmanager
async def listening(says: bytes = b"") -> AsyncIterator[tuple[int, list[bytes]]]:
    """The port of somebody who answers anything with `says`, and what was said to it so far."""
    heard = []

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.append(b"")
        while said := await reader.read(1000):
            heard[-1] += said
            writer.write(says)
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1], heard
