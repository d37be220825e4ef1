"""What a request costs the database: statements and rows, however long the history is."""

from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest
from sqlalchemy import Engine, event

from service.api.learned import learn_anew
from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.rules.learning.performed import PerformedSet
from service.storage.engine import close_store, open_store
from service.storage.keys import note_use
from service.storage.lifters import lock_lifter
from service.storage.performed_sets import CHUNK, insert_sets
from service.storage.tenancy import tenant_writing
from tests.drivers import telling
from tests.serving import make_key, served

POLICIES = load_policies()
BASIS = Basis(policy=POLICIES.newest, numbers=load_learning(POLICIES.newest))
END = datetime(2026, 11, 1, 18, tzinfo=UTC)
EXERCISES = ("leg_press", "barbell_bench_press", "dumbbell_bench_press", "machine_seated_row")
NOT_DUE = datetime(2099, 1, 1, tzinfo=UTC)  # no request has to note the use of its key
ENTERING = 1  # SQLite is told BEGIN, PostgreSQL the tenant
ASK = {"exercise": "barbell_bench_press", "rep_target": 8, "load_kg": 80}


@dataclass
class Asked:
    """Statements sent and rows brought, transactions begun."""

    statements: list[str] = field(default_factory=list)
    rows: int = 0
    transactions: int = 0


@contextmanager
def counting() -> Iterator[Asked]:
    """Count what every engine of the process asks within the block."""
    asked = Asked()

    def count(_connection: Any, cursor: Any, statement: str, *_more: Any) -> None:
        asked.statements.append(statement)
        asked.rows += len(cursor._rows or ())

    def begin(_connection: Any) -> None:
        asked.transactions += 1

    def tell(statement: str, rows: int) -> None:
        asked.statements.append(statement)
        asked.rows += rows

    event.listen(Engine, "after_cursor_execute", count)
    event.listen(Engine, "begin", begin)
    try:
        with telling(tell):
            yield asked
    finally:
        event.remove(Engine, "after_cursor_execute", count)
        event.remove(Engine, "begin", begin)


def log(count: int) -> Iterator[PerformedSet]:
    """Sets an hour apart, oldest first, the last one at END."""
    for number in range(count):
        yield PerformedSet(
            set_id=UUID(int=number + 1),
            performed_at=(END - timedelta(hours=count - 1 - number)).isoformat(),
            exercise=EXERCISES[number // 3 % len(EXERCISES)],
            load_kg=80.0,
            reps=8,
            set_endpoint="planned_stop",
            reported_rir=2.0,
            prescribed_rir=2.0,
        )


@asynccontextmanager
async def trained(url: str, count: int) -> AsyncIterator[httpx.AsyncClient]:
    """Yield a client whose lifter `a` has so many sets."""
    key = await make_key(url, "prescribe", "history:read", "history:write")
    store, sets = open_store(url), list(log(count))
    async with tenant_writing(store, key.tenant_id) as w:
        await lock_lifter(w, key.tenant_id, "a", create=True, now=END)
        for start in range(0, count, CHUNK):
            await insert_sets(w, key.tenant_id, "a", sets[start : start + CHUNK])
        await learn_anew(w, key.tenant_id, "a", BASIS)
        await note_use(w, key_id=key.key_id, now=NOT_DUE)
    await close_store(store)
    async with served(url, token=key.token) as client:
        # the key and the tenant's audit secret are remembered from now on
        await client.put("/v1/lifters/somebody-else", json={})
        yield client


def later(count: int) -> list[dict[str, Any]]:
    """Sets of one session after all others."""
    some = log(count)
    moved = [END + timedelta(days=2, minutes=3 * number) for number in range(count)]
    return [
        msgspec.to_builtins(each) | {"set_id": None, "performed_at": instant.isoformat()}
        for each, instant in zip(some, moved, strict=True)
    ]


@pytest.mark.parametrize("sets", [100, 100_000])
async def test_requests_cost_the_same_however_long_the_history(database_url: str, sets: int) -> None:
    """Few statements, few rows: the same with 100 and with 100,000 sets. One transaction a request."""
    async with trained(database_url, sets) as client:
        with counting() as prescribing:
            answered = await client.post("/v1/lifters/a/prescriptions", json=ASK)
        assert answered.status_code == 200
        assert answered.json()["context_used"]["load_percent_1rm"] is not None
        # rows, each with the lifter: two of the summary's own, two like exercises, muscles trained directly
        assert len(prescribing.statements) == 1
        assert 4 <= prescribing.rows <= 11
        assert prescribing.transactions == 0

        with counting() as posting:
            answered = await client.post("/v1/lifters/a/sets", json={"sets": later(20)})
        assert answered.status_code == 201, answered.text
        # lifter, sets, summary read, summary written, audit
        assert len(posting.statements) <= 5 + ENTERING
        assert posting.rows <= 60
        assert posting.transactions == 1

        with counting() as reading:
            assert (await client.get("/v1/lifters/a/state")).status_code == 200
        assert len(reading.statements) == 2 + ENTERING
        assert reading.rows <= 40


async def test_a_session_posted_with_a_key_is_one_transaction_too(database_url: str) -> None:
    """Twenty sets and the answer kept for replay: all or nothing."""
    async with trained(database_url, 10) as client:
        with counting() as asked:
            answered = await client.post(
                "/v1/lifters/a/sets", json={"sets": later(20)}, headers={"idempotency-key": "session-1"}
            )
        assert answered.status_code == 201
        assert asked.transactions == 1
        # besides: key asked about, read, taken; answer kept; old answers dropped
        assert len(asked.statements) <= 10 + ENTERING
