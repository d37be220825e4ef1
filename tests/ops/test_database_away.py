"""The database goes away under a serving replica: stopped, or silent behind a network that drops everything.

What needs it is 503 in time, what does not goes on, and nobody restarts the service.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from itertools import takewhile
from pathlib import Path
from typing import Any

import httpx

from service.api.keyring import REMEMBERED_SECONDS
from service.api.readiness import KEPT_SECONDS
from tests.api.problem_shape import assert_problem
from tests.ops.aftermath import LONG, TOLD
from tests.ops.cluster import DATABASE, durable_postgres
from tests.ops.replicas import Replica, replica
from tests.ops.wire import wire_to
from tests.postgres import OWNER, start, stop
from tests.serving import make_key

# Longer than a key is remembered, so that trust in keys seen before has to take over.
AWAY_SECONDS = 120.0 if LONG else REMEMBERED_SECONDS + 4
# Each request has three seconds; the rest is the machine's.
REQUEST_SECONDS, LATEST_SECONDS, BACK_WITHIN_SECONDS = 3, 10.0, 30.0
HISTORY = ("history:read", "history:write")
SETS = {
    "sets": [
        {
            "performed_at": "2026-11-02T18:00:00Z",
            "exercise": "leg_press",
            "load_kg": 100,
            "reps": 8,
            "set_endpoint": "planned_stop",
        }
    ]
}


class Watch:
    """Asks for the same few things again and again; remembers each answer and how long it took."""

    def __init__(self, client: httpx.AsyncClient, stranger: httpx.AsyncClient) -> None:
        self._client = client
        self._calls: dict[str, Callable[[], Any]] = {
            "prescription": lambda: client.post("/v1/prescriptions", json={"rep_target": 8}),
            "sets": lambda: client.post("/v1/lifters/lark-4/sets", json=SETS),
            "next set": lambda: client.post(
                "/v1/lifters/lark-4/prescriptions", json={"exercise": "leg_press", "rep_target": 8}
            ),
            "ready": lambda: client.get("/health/ready"),
            "live": lambda: client.get("/health/live"),
            "catalogue": lambda: client.get("/v1/exercises"),
            "key never seen": lambda: stranger.post("/v1/prescriptions", json={"rep_target": 8}),
        }
        self.answers: dict[str, list[tuple[httpx.Response, float]]] = {}

    async def once(self) -> dict[str, int]:
        """Return the status of each thing, asked all at the same time."""
        timed = await asyncio.gather(*(self._timed(name) for name in self._calls))
        return dict(zip(self._calls, timed, strict=True))

    async def _timed(self, name: str) -> int:
        began = time.monotonic()
        answer = await self._calls[name]()
        self.answers.setdefault(name, []).append((answer, time.monotonic() - began))
        return int(answer.status_code)

    async def lasting(self, seconds: float) -> None:
        """Ask for so long."""
        self.answers = {}
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            await self.once()
            await asyncio.sleep(0.1)

    def slowest(self, name: str) -> float:
        """Return the longest time an answer took [s]."""
        return max(seconds for _, seconds in self.answers[name])


@asynccontextmanager
async def watching(one: Replica, url: str) -> AsyncIterator[Watch]:
    """Yield a watch on a replica; one key it has seen, another one not before the database is away."""
    tokens = [(await make_key(url, "prescribe", *HISTORY)).token for _ in range(2)]
    clients = [
        httpx.AsyncClient(
            base_url=one.address, headers={"authorization": f"Bearer {token}"}, timeout=60, trust_env=False
        )
        for token in tokens
    ]
    async with clients[0] as client, clients[1] as stranger:
        watch = Watch(client, stranger)
        assert (await client.post("/v1/lifters/lark-4/sets", json=SETS)).status_code == 201
        yield watch


async def assert_away_and_back(
    one: Replica, watch: Watch, leave: Callable[[], None], come_back: Callable[[], None], told: str
) -> None:
    """The database leaves for a while; what is answered meanwhile, and after it is back."""
    pids = one.pids()
    await asyncio.to_thread(leave)
    await watch.once()
    await asyncio.sleep(KEPT_SECONDS)  # so old the answer of a readiness probe may be
    await watch.lasting(AWAY_SECONDS)
    for name, expected in (("prescription", 200), ("live", 200), ("catalogue", 200)):
        statuses = [answer.status_code for answer, _ in watch.answers[name]]
        assert set(statuses) == {expected}, f"{name}: {statuses}"
    ready = watch.answers["ready"]
    said_before = list(takewhile(lambda each: each[0].status_code == 200, ready))
    assert len(said_before) < len(ready) / 2, "readiness is remembered for a second, not for long"
    watch.answers["ready"] = ready[len(said_before) :]
    for name in ("sets", "next set", "ready", "key never seen"):
        for answer, seconds in watch.answers[name]:
            assert_problem(answer, 503)
            assert int(answer.headers["retry-after"]) > 0, name
            assert seconds < LATEST_SECONDS, f"{name} took {seconds} s"
    assert watch.slowest("prescription") < LATEST_SECONDS / 2
    await asyncio.to_thread(come_back)
    began = time.monotonic()
    while set((await watch.once()).values()) > {200, 201} or 503 in (await watch.once()).values():
        assert time.monotonic() - began < BACK_WITHIN_SECONDS, watch.answers["ready"][-1]
        await asyncio.sleep(0.1)
    assert one.pids() == pids
    TOLD.append(
        f"{told} for {AWAY_SECONDS:.0f} s: {len(watch.answers['prescription'])} prescriptions all 200, slowest "
        f"{watch.slowest('prescription'):.2f} s; 503 at the latest after {watch.slowest('sets'):.2f} s; all well "
        f"{time.monotonic() - began:.1f} s after its return"
    )


async def test_a_stopped_database_stops_only_what_needs_it(tmp_path: Path) -> None:
    """Connections are refused at once, and so is what needs them."""
    with durable_postgres() as server:
        url = server.url(DATABASE)
        with replica(url, tmp_path, EFFORT_REQUEST_SECONDS=str(REQUEST_SECONDS)) as one:
            async with watching(one, url) as watch:
                await assert_away_and_back(
                    one, watch, lambda: stop(server), lambda: start(server), "database stopped"
                )


async def test_a_silent_database_stops_only_what_needs_it(tmp_path: Path) -> None:
    """Connections are taken and nothing is ever answered: time limits end the waiting."""
    with durable_postgres() as server, wire_to(server.port) as wire:
        through = f"postgresql://{OWNER}@127.0.0.1:{wire.port}/{DATABASE}"
        with replica(through, tmp_path, EFFORT_REQUEST_SECONDS=str(REQUEST_SECONDS)) as one:
            async with watching(one, server.url(DATABASE)) as watch:
                await assert_away_and_back(one, watch, wire.hold, wire.release, "database silent")


async def test_a_replica_without_its_database_lets_nobody_in(tmp_path: Path) -> None:
    """It starts, knows no key, and trusts none: nobody prescribes, nobody is called a stranger, until it is back."""
    with durable_postgres() as server:
        url = server.url(DATABASE)
        headers = {"authorization": f"Bearer {(await make_key(url)).token}"}
        stop(server)
        with replica(url, tmp_path) as one:
            async with httpx.AsyncClient(base_url=one.address, headers=headers, trust_env=False) as client:
                assert_problem(await client.post("/v1/prescriptions", json={"rep_target": 8}), 503)
                assert (await client.get("/v1/exercises")).status_code == 200
                start(server)
                answer = await client.post("/v1/prescriptions", json={"rep_target": 8})
                assert answer.status_code == 200
