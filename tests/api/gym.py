"""An invented gym over HTTP: its keys, its lifters, and sets as their apps would send them."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import httpx

from service.api.clock import now
from tests.serving import make_key, served

GYM, RIVAL = "harbour-street-gym", "mill-lane-gym"
LIFTER = "lifter-7"
ALL_HISTORY = ("prescribe", "history:read", "history:write")
MESSAGEPACK = "application/vnd.msgpack"
TODAY = now().replace(microsecond=0)
# A Monday that is past wherever the tests run.
START = datetime(2024, 3, 4, 18, 0, tzinfo=UTC)


@asynccontextmanager
async def gym(url: str, *scopes: str, tenant: str = GYM, **environ: str) -> AsyncIterator[httpx.AsyncClient]:
    """Yield a client with a new key of `tenant`: with all scopes of histories, or `scopes`; settings of `environ`."""
    key = await make_key(url, *(scopes or ALL_HISTORY), tenant=tenant)
    async with served(url, token=key.token, **environ) as client:
        yield client


def path(*parts: object, lifter: str = LIFTER) -> str:
    """Return the address of a lifter, or of something below it."""
    return "/".join(("/v1/lifters", lifter, *map(str, parts)))


def id_of(number: int) -> str:
    """Return the set id that `set_body(number)` carries."""
    return str(UUID(int=number))


def text_of(instant: datetime) -> str:
    """Return an aware instant as RFC 3339 in UTC."""
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")


def day(days: float, hours: float = 0.0) -> str:
    """Return an instant so long after START, as text."""
    return text_of(START + timedelta(days=days, hours=hours))


def ago(days: float, hours: float = 0.0) -> str:
    """Return an instant so long before the tests began, as text."""
    return text_of(TODAY - timedelta(days=days, hours=hours))


def set_body(number: int = 1, **members: Any) -> dict[str, Any]:
    """Return a valid set with the id `number`, three minutes after the one before, unless told otherwise."""
    told = {
        "set_id": id_of(number),
        "performed_at": text_of(START + timedelta(minutes=3 * number)),
        "exercise": "barbell_bench_press",
        "load_kg": 82.5,
        "reps": 8,
        "set_endpoint": "planned_stop",
    }
    return told | members


def stored(body: dict[str, Any]) -> dict[str, Any]:
    """Return a set as it is read back: every member there, null where nothing was sent."""
    optional = (
        "reported_rir",
        "rir_call",
        "prescribed_rir",
        "exercise_order",
        "set_order",
        "velocity_loss_percent",
        "note",
    )
    return dict.fromkeys(optional) | body


async def post_sets(
    client: httpx.AsyncClient, *sets: dict[str, Any], lifter: str = LIFTER, **headers: str
) -> httpx.Response:
    """Return the answer to posting these sets; `idempotency_key="k"` goes as the header Idempotency-Key."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.post(path("sets", lifter=lifter), json={"sets": sets}, headers=named)


async def log(client: httpx.AsyncClient, *sets: dict[str, Any], lifter: str = LIFTER) -> None:
    """Store these sets, 200 at a time."""
    for start in range(0, len(sets), 200):
        answer = await post_sets(client, *sets[start : start + 200], lifter=lifter)
        assert answer.status_code == 201, answer.text


async def export(client: httpx.AsyncClient, lifter: str = LIFTER) -> bytes:
    """Return everything that is stored of a lifter, as the lifter may take it away."""
    answer = await client.get(path("export", lifter=lifter))
    assert answer.status_code == 200, answer.text
    return answer.content
