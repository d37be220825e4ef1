"""Tenants, lifters and sets for tests of the history, and a count of what a block asks of the database."""

from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import event, insert

from service.rules.learning.performed import PerformedSet
from service.storage.engine import Reading, Store, Writing, close_store, open_store, writing
from service.storage.identifiers import new_id
from service.storage.lifters import LifterRow, lock_lifter, put_lifter
from service.storage.performed_sets import Inserted, insert_sets
from service.storage.schema import tenants
from service.storage.tenancy import tenant_writing
from tests.drivers import telling

NOW = datetime(2026, 12, 1, 18, 30, tzinfo=UTC)
LIFTER = "lifter-7"


@asynccontextmanager
async def another(database_url: str) -> AsyncIterator[Store]:
    """A second store of the same database, as another process would have."""
    store = open_store(database_url)
    try:
        yield store
    finally:
        await close_store(store)


async def tenant(store: Store, name: str = "gym-chain") -> UUID:
    """A tenant of that name."""
    tenant_id = new_id(NOW)
    async with writing(store) as w:
        await w.execute(insert(tenants).values(id=tenant_id, name=name, created_at=NOW))
    return tenant_id


def performed(number: int = 1, at: datetime | str | None = None, **members: Any) -> PerformedSet:
    """A valid set with the id `number`, three minutes after the one before, unless told otherwise."""
    instant = NOW + timedelta(minutes=3 * number) if at is None else at
    told = {
        "set_id": str(UUID(int=number)),
        "performed_at": instant if isinstance(instant, str) else instant.isoformat().replace("+00:00", "Z"),
        "exercise": "barbell_bench_press",
        "load_kg": 82.5,
        "reps": 8,
        "set_endpoint": "planned_stop",
    }
    return msgspec.convert(told | members, PerformedSet, strict=True)


async def put(
    store: Store, tenant_id: UUID, lifter_id: str = LIFTER, **profile: Any
) -> tuple[LifterRow, bool]:
    """What `put_lifter` says in a transaction of its own; an empty profile unless told otherwise."""
    empty: dict[str, Any] = {"experience": None, "goal": None, "cautions": (), "site": None, "now": NOW}
    async with tenant_writing(store, tenant_id) as w:
        return await put_lifter(w, tenant_id, lifter_id, **(empty | profile))


async def add(
    store: Store, tenant_id: UUID, sets: Sequence[PerformedSet], lifter_id: str = LIFTER
) -> Inserted:
    """What `insert_sets` says in a transaction of its own, the lifter made when new."""
    async with tenant_writing(store, tenant_id) as w:
        await lock_lifter(w, tenant_id, lifter_id, create=True, now=NOW)
        return await insert_sets(w, tenant_id, lifter_id, sets)


@dataclass
class Asked:
    """Statements sent, and rows they brought."""

    statements: int = 0
    rows: int = 0


@contextmanager
def counting(session: Reading | Writing) -> Iterator[Asked]:
    """Counts within the block."""
    asked = Asked()
    connection = session.connection.sync_connection

    def count(_connection: Any, cursor: Any, *_details: Any) -> None:
        asked.statements += 1
        asked.rows += len(cursor._rows)

    def tell(_statement: str, rows: int) -> None:
        asked.statements += 1
        asked.rows += rows

    event.listen(connection, "after_cursor_execute", count)
    with telling(tell):
        yield asked
    event.remove(connection, "after_cursor_execute", count)
