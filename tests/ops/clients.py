"""Apps under load: each journals what it sends, and tries again under the same Idempotency-Key until it knows.

Two gyms, whose lifters have the same names. Every set carries its gym's canary, which no other gym may ever see.
"""

import asyncio
import itertools
import random
import ssl
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

import httpx
import msgspec

from tests.ops.journal import Answered, Exchange, Journal, Sent
from tests.serving import make_key

CANARIES = {"harbour-street-gym": "harbour-canary", "mill-lane-gym": "mill-canary"}
SCOPES = ("prescribe", "history:read", "history:write")
STORED, NOT_NOW = (200, 201), (409, 429, 502, 503, 504)
MOST_SETS, SHARED_EVERY, READ_EVERY = 8, 7, 4
PAUSE_SECONDS, AT_ONCE = 0.05, 2
ENOUGH, PATIENCE_SECONDS = 10, 60.0
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
EXERCISES = ("leg_press", "barbell_bench_press", "dumbbell_bench_press")


@dataclass
class Load:
    """Clients at work on one address: keys of the gyms by name, the journal, and what was seen besides."""

    address: str
    tokens: dict[str, str]
    journal: Journal
    timeout_seconds: float = 10.0
    # A new key for each try is the mistake a negative control makes; without any, nobody tries again.
    keys: Literal["same", "new", "none"] = "same"
    # Two loads on one database keep to lifters of their own.
    lifters: str = "lifter"
    # Loses the answer to a request on its way back, as a network may.
    loses: Callable[[int], bool] = lambda _number: False
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    seen: Counter[str] = field(default_factory=Counter)
    unexpected: list[str] = field(default_factory=list)
    leaks: list[str] = field(default_factory=list)
    # Two loads on one database count from different numbers.
    first: int = 0
    # From the start of one request of a client to the next one's, where it is not to be as fast as it can.
    period_seconds: float = 0.0
    _minutes: Iterator[int] = field(default_factory=itertools.count)
    _numbers: Iterator[int] = field(init=False)

    def __post_init__(self) -> None:
        """Start counting."""
        self._numbers = itertools.count(self.first)

    def client(self, tenant: str) -> httpx.AsyncClient:
        """Return a client with the key of a gym."""
        headers = {"authorization": f"Bearer {self.tokens[tenant]}", "content-type": "application/json"}
        # Reading the certificates of a machine takes longer than a request; nothing here is encrypted.
        return httpx.AsyncClient(
            base_url=self.address,
            headers=headers,
            timeout=self.timeout_seconds,
            verify=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT),
            trust_env=False,
        )

    def next_request(self, tenant: str, app: int, chance: random.Random) -> Sent:
        """Return the request an app sends next: a few sets of its own lifter, or of the one all write to."""
        number = next(self._numbers)
        notes = tuple(f"{CANARIES[tenant]} {number}-{place}" for place in range(chance.randint(1, MOST_SETS)))
        sets = [self._set(note, chance) for note in notes]
        return Sent(
            number=number,
            tenant=tenant,
            lifter_id=f"{self.lifters}-{'shared' if number % SHARED_EVERY == 0 else app}",
            key=uuid4().hex,
            body=msgspec.json.encode({"sets": sets}).decode(),
            notes=notes,
        )

    def _set(self, note: str, chance: random.Random) -> dict[str, Any]:
        return {
            "performed_at": (START + timedelta(minutes=next(self._minutes))).isoformat(),
            "exercise": chance.choice(EXERCISES),
            "load_kg": chance.choice([60, 82.5, 100]),
            "reps": chance.randint(3, 12),
            "set_endpoint": chance.choice(["planned_stop", "momentary_failure"]),
            "reported_rir": chance.choice([1, 2, 3]),
            "note": note,
        }

    async def attempt(self, client: httpx.AsyncClient, sent: Sent) -> Answered | None:
        """Send once; the answer when it says that the sets are stored, else None: unknown, or not now."""
        key = sent.key if self.keys == "same" else uuid4().hex
        headers = {} if self.keys == "none" else {"idempotency-key": key}
        try:
            answer = await client.post(
                f"/v1/lifters/{sent.lifter_id}/sets", content=sent.body, headers=headers
            )
        except httpx.TransportError as error:
            self.seen[type(error).__name__] += 1
            return None
        self.note(sent.tenant, answer)
        self.seen[f"{answer.status_code}"] += 1
        if answer.status_code in STORED and not self.loses(sent.number):
            return Answered(number=sent.number, status=answer.status_code, body=answer.text)
        if answer.status_code not in (*STORED, *NOT_NOW):
            self.unexpected.append(f"{answer.status_code} {answer.text[:500]}")
        return None

    def note(self, tenant: str, answer: httpx.Response) -> None:
        """Look for what belongs to another gym in an answer to this one."""
        for other, canary in CANARIES.items():
            if other != tenant and canary in answer.text:
                self.leaks.append(
                    f"{tenant} was told of {other}: {answer.request.method} {answer.request.url.path}"
                )

    async def post(self, client: httpx.AsyncClient, sent: Sent) -> None:
        """Send until the answer is known or the load stops."""
        self.journal.write(sent)
        await self.settle(client, sent, until=self.stop.is_set)

    async def settle(self, client: httpx.AsyncClient, sent: Sent, *, until: Callable[[], bool]) -> None:
        """Try an unknown request again until its answer is known."""
        while (answered := await self.attempt(client, sent)) is None:
            if until() or self.keys == "none":
                return
            await asyncio.sleep(PAUSE_SECONDS)
        self.journal.write(answered)

    async def read(self, client: httpx.AsyncClient, tenant: str, lifter_id: str) -> None:
        """Read what is stored and what it teaches; no error matters here, only what an answer holds."""
        for method, path, body in (
            ("GET", "sets", None),
            ("POST", "prescriptions", {"exercise": "leg_press", "rep_target": 8}),
        ):
            try:
                answer = await client.request(method, f"/v1/lifters/{lifter_id}/{path}", json=body)
            except httpx.TransportError:
                continue
            self.note(tenant, answer)

    async def app(self, tenant: str, number: int) -> None:
        """Post sets one batch after the other, and look at what is stored now and then."""
        chance = random.Random(number)
        async with self.client(tenant) as client:
            for turn in itertools.count():
                if self.stop.is_set():
                    return
                until = time.monotonic() + self.period_seconds
                await self.post(client, self.next_request(tenant, number, chance))
                await asyncio.sleep(max(0.0, until - time.monotonic()))
                if turn % READ_EVERY == 0:
                    await self.read(client, tenant, f"{self.lifters}-{number}")

    async def going_on(self, seconds: float) -> None:
        """Return after so long, once a few more sets are stored: a busy machine takes longer."""
        stored, give_up = self.seen["201"], time.monotonic() + PATIENCE_SECONDS
        await asyncio.sleep(seconds)
        while self.seen["201"] < stored + ENOUGH:
            assert time.monotonic() < give_up, f"nothing is stored any more: {self.seen} {self.unexpected}"
            await asyncio.sleep(PAUSE_SECONDS)

    async def settle_all(self, *, within_seconds: float = 120.0) -> None:
        """Send what is still unknown again, until all is known. Raises AssertionError when it takes too long."""
        give_up = time.monotonic() + within_seconds

        async def settle(client: httpx.AsyncClient, exchange: Exchange) -> None:
            if not exchange.is_acknowledged:
                await self.settle(client, exchange.sent, until=lambda: time.monotonic() > give_up)

        await self._with_each(settle)
        left = [each.sent.number for each in self.journal.read() if not each.is_acknowledged]
        assert not left, f"never answered: {left}, seen {self.seen}, {self.unexpected}"

    async def replay_all(self) -> dict[int, str | None]:
        """Send every request once more; the bodies of the answers by number, None where there was none to have."""
        found: dict[int, str | None] = {}

        async def replay(client: httpx.AsyncClient, exchange: Exchange) -> None:
            again = await self.attempt(client, exchange.sent)
            if again is None:  # a busy machine may not have answered in time
                again = await self.attempt(client, exchange.sent)
            found[exchange.sent.number] = None if again is None else again.body

        await self._with_each(replay)
        return found

    async def _with_each(self, work: Callable[[httpx.AsyncClient, Exchange], Awaitable[None]]) -> None:
        exchanges = self.journal.read()

        async def take_turns(tenant: str, waiting: Iterator[Exchange]) -> None:
            async with self.client(tenant) as client:
                for exchange in waiting:
                    await work(client, exchange)

        async with asyncio.TaskGroup() as tasks:
            for tenant in CANARIES:
                waiting = iter([each for each in exchanges if each.sent.tenant == tenant])
                for _ in range(AT_ONCE):
                    tasks.create_task(take_turns(tenant, waiting))


async def tokens_in(database_url: str) -> dict[str, str]:
    """Make a key for each gym, and return them by gym."""
    return {tenant: (await make_key(database_url, *SCOPES, tenant=tenant)).token for tenant in CANARIES}


@asynccontextmanager
async def training(
    address: str,
    database_url: str,
    folder: Path,
    *,
    apps: int = 2,
    tokens: dict[str, str] | None = None,
    **more: Any,
) -> AsyncIterator[Load]:
    """Yield a load that runs until the end of the block: `apps` clients of each gym against `address`.

    Keys are made in the database at `database_url` unless given; `more` goes to `Load`.
    """
    tokens = tokens or await tokens_in(database_url)
    journal = Journal(folder / f"{uuid4().hex}.journal")
    load = Load(address=address, tokens=tokens, journal=journal, **more)
    async with asyncio.TaskGroup() as tasks:
        for tenant in CANARIES:
            for number in range(apps):
                tasks.create_task(load.app(tenant, number))
        try:
            yield load
        finally:
            load.stop.set()
