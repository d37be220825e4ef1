"""A service that goes on storing sessions while its database is copied, and what a copy must hold."""

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple
from uuid import UUID

import httpx
from sqlalchemy import func, select

from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.rules.learning.fold import learn_all
from service.storage.engine import Reading, close_store, open_store, reading
from service.storage.keys import find_tenant
from service.storage.performed_sets import sets_oldest_first
from service.storage.schema import audit
from service.storage.summaries import load_known
from service.storage.tenancy import tenant_reading
from tests.ops.replicas import Replica
from tests.serving import make_key, served

POLICIES = load_policies()
BASIS = Basis(policy=POLICIES.newest, numbers=load_learning(POLICIES.newest))
GYM = "harbour-street-gym"
LIFTERS = ("otter-1", "heron-2", "vole-3")
PATIENCE_SECONDS = 60.0
SETS_IN_SESSION = 4
FIRST = datetime(2024, 3, 4, 18, 0, tzinfo=UTC)
SCOPES = ("history:read", "history:write", "admin")


def session(number: int) -> list[dict[str, object]]:
    """The sets of a lifter's session, from 0; their notes tell session and place."""
    starts_at = FIRST + timedelta(hours=number)
    return [
        {
            "performed_at": (starts_at + timedelta(minutes=3 * place)).isoformat(),
            "exercise": "leg_press",
            "load_kg": 100 + place,
            "reps": 8,
            "set_endpoint": "planned_stop",
            "reported_rir": 2,
            "note": f"{number} {place}",
        }
        for place in range(SETS_IN_SESSION)
    ]


@dataclass
class Writers:
    """One thread for each lifter, which stores session after session; how many were acknowledged."""

    address: str
    token: str
    pause_seconds: float
    acknowledged: dict[str, int] = field(default_factory=lambda: dict.fromkeys(LIFTERS, 0))
    stopped: threading.Event = field(default_factory=threading.Event)

    def write(self, lifter_id: str) -> None:
        """Store sessions until told to stop."""
        headers = {"authorization": f"Bearer {self.token}"}
        with httpx.Client(base_url=self.address, headers=headers, timeout=30) as client:
            while not self.stopped.is_set():
                sets = session(self.acknowledged[lifter_id])
                answer = client.post(f"/v1/lifters/{lifter_id}/sets", json={"sets": sets})
                assert answer.status_code == 201, answer.text
                self.acknowledged[lifter_id] += 1
                self.stopped.wait(self.pause_seconds)

    def write_on(self, sessions: int = 10) -> None:
        """Return once each has stored so many more. Raises AssertionError when it takes too long."""
        before, give_up = dict(self.acknowledged), time.monotonic() + PATIENCE_SECONDS
        while any(self.acknowledged[each] < before[each] + sessions for each in LIFTERS):
            assert time.monotonic() < give_up, self.acknowledged
            time.sleep(0.02)


@contextmanager
def serving(url: str, folder: Path) -> Iterator[tuple[Replica, str]]:
    """A server process on the database at `url`, and a key of the gym."""
    token = asyncio.run(make_key(url, *SCOPES, tenant=GYM)).token
    replica = Replica(
        {"EFFORT_DATABASE_URL": url, "EFFORT_RATE_LIMIT_PER_MINUTE": "0"}, folder / "server.log"
    )
    replica.start()
    try:
        yield replica, token
    finally:
        replica.stop()


@contextmanager
def writing(replica: Replica, token: str, *, pause_seconds: float = 0.0) -> Iterator[Writers]:
    """Writers at work, with a pause after each session; they end with the block, without any refusal."""
    writers = Writers(replica.address, token, pause_seconds)
    failures: list[BaseException] = []

    def work(lifter_id: str) -> None:
        try:
            writers.write(lifter_id)
        except BaseException as failure:  # noqa: BLE001 - told at the end, where a test can see it
            failures.append(failure)

    threads = [threading.Thread(target=work, args=(lifter_id,)) for lifter_id in LIFTERS]
    for thread in threads:
        thread.start()
    try:
        yield writers
    finally:
        writers.stopped.set()
        for thread in threads:
            thread.join()
    assert failures == []


class Kept(NamedTuple):
    """Notes of a lifter's sets, oldest first, and whether the summary is what the sets teach."""

    notes: list[str | None]
    summary_is_right: bool


class Copy(NamedTuple):
    """What a database holds of the gym: its lifters, and how many entries about posted sets."""

    lifters: dict[str, Kept]
    posted: int


def read(url: str) -> Copy:
    """Everything of the gym in the database at `url`."""

    async def run() -> Copy:
        store = open_store(url)
        try:
            async with reading(store) as r:
                tenant_id = await find_tenant(r, GYM)
            assert tenant_id is not None
            async with tenant_reading(store, tenant_id) as r:
                lifters = {lifter_id: await _kept(r, tenant_id, lifter_id) for lifter_id in LIFTERS}
                posted = select(func.count()).where(
                    audit.c.tenant_id == tenant_id, audit.c.operation == "createSets"
                )
                return Copy(lifters, (await r.execute(posted)).scalar_one())
        finally:
            await close_store(store)

    return asyncio.run(run())


async def _kept(r: Reading, tenant_id: UUID, lifter_id: str) -> Kept:
    sets = [each async for each in sets_oldest_first(r, tenant_id, lifter_id)]
    summary = await load_known(r, tenant_id, lifter_id, exercises=None, muscles=None, weeks=None)
    right = summary.known == learn_all(sets, BASIS.policy, BASIS.numbers)
    return Kept([each.note for each in sets], right)


def exports(url: str, token: str) -> dict[str, bytes]:
    """What each lifter of the gym may take away, from a service on the database at `url`."""

    async def read() -> dict[str, bytes]:
        async with served(url, token=token) as client:
            answers = {each: await client.get(f"/v1/lifters/{each}/export") for each in LIFTERS}
        assert {answer.status_code for answer in answers.values()} == {200}
        return {lifter_id: answer.content for lifter_id, answer in answers.items()}

    return asyncio.run(read())


def assert_whole(url: str, at_least: dict[str, int]) -> None:
    """Every session is there whole, none before it is missing; summaries fit, and one entry tells of each."""
    copy = read(url)
    sessions = 0
    for lifter_id, kept in copy.lifters.items():
        count = len(kept.notes) // SETS_IN_SESSION
        wanted = [f"{number} {place}" for number in range(count) for place in range(SETS_IN_SESSION)]
        assert kept.notes == wanted
        assert count >= at_least[lifter_id]
        assert kept.summary_is_right
        sessions += count
    assert sessions
    assert copy.posted == sessions
