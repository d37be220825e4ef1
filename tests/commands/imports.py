"""Running `effort import` in this process, lines to feed it, and what is stored afterwards."""

import asyncio
import json
import sys
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any, NamedTuple, TypeVar
from unittest.mock import patch
from uuid import UUID

import msgspec
from click.testing import CliRunner
from sqlalchemy import func, select

from service.cli import main
from service.rules.learning.performed import PerformedSet
from service.storage.engine import Store, close_store, open_store, reading
from service.storage.keys import find_tenant
from service.storage.lifters import LifterRow, find_lifter
from service.storage.performed_sets import sets_oldest_first
from service.storage.schema import lifters, performed_sets, summaries
from service.storage.summaries import Summary, load_known
from service.storage.tenancy import tenant_reading
from tests.serving import make_key, served

T = TypeVar("T")

GYM = "gym-chain"
LIFTER = "a1"
SET = {
    "performed_at": "2024-11-20T18:30:00+01:00",
    "exercise": "barbell_bench_press",
    "load_kg": 80,
    "reps": 8,
    "set_endpoint": "planned_stop",
}
FULL = {
    **SET,
    "set_id": str(UUID(int=1)),
    "reported_rir": 2.5,
    "rir_call": {"at_rep": 6, "reps_left": 3},
    "prescribed_rir": 2,
    "exercise_order": 1,
    "set_order": 3,
    "velocity_loss_percent": 20.5,
    "note": 'slow, "grindy"\nbut clean: ü',
}
HEADER = "lifter_id,performed_at,exercise,load_kg,reps,set_endpoint"
ROW = "a1,2024-11-20T18:30:00+01:00,barbell_bench_press,80,8,planned_stop"


class Done(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: list[str]


def effort(*arguments: str, url: str, stdin: bytes = b"") -> Done:
    """Run `effort` as the console script does."""
    with CliRunner().isolation(input=stdin, env={"EFFORT_DATABASE_URL": url}) as (out, err, _):
        code = 0
        with patch.object(sys, "argv", ["effort", *arguments]):
            try:
                main()
            except SystemExit as stopped:
                code = int(stopped.code or 0)
        return Done(code, out.getvalue().decode(), err.getvalue().decode().splitlines())


def import_json(url: str, *lines: object) -> Done:
    """Run `effort import -` on JSON lines; text and bytes stand for themselves."""
    told = [line if isinstance(line, bytes) else json.dumps(line).encode() + b"\n" for line in lines]
    return effort("import", "-", "--tenant", GYM, "--format=jsonl", url=url, stdin=b"".join(told))


def import_csv(url: str, *lines: str | bytes) -> Done:
    """Run `effort import -` on lines of CSV."""
    told = [line if isinstance(line, bytes) else line.encode() for line in lines]
    stdin = b"".join(line + b"\n" for line in told)
    return effort("import", "-", "--tenant", GYM, "--format=csv", url=url, stdin=stdin)


def lifter_line(lifter_id: str = LIFTER, **profile: Any) -> dict[str, Any]:
    """A lifter line."""
    return {"type": "lifter", "lifter_id": lifter_id, **profile}


def set_line(**members: Any) -> dict[str, Any]:
    """A set line, valid unless told otherwise."""
    return {"type": "set", **SET, **members}


def end_line(sets: int) -> dict[str, Any]:
    """An end line."""
    return {"type": "end", "sets": sets}


def plain(**members: Any) -> PerformedSet:
    """A valid set."""
    return msgspec.convert({**SET, **members}, PerformedSet)


def ask(url: str, question: Callable[[Store, UUID], Awaitable[T]]) -> T:
    """What a question to the opened store about the gym is answered."""

    async def run() -> T:
        store = open_store(url)
        try:
            async with reading(store) as r:
                tenant_id = await find_tenant(r, GYM)
            assert tenant_id is not None
            return await question(store, tenant_id)
        finally:
            await close_store(store)

    return asyncio.run(run())


def open_gym(url: str) -> str:
    """Make the gym; the token of a key of it that may read histories."""
    now = datetime(2024, 1, 1, tzinfo=UTC)
    return asyncio.run(make_key(url, "history:read", tenant=GYM, now=now)).token


def export(url: str, token: str, lifter_id: str) -> bytes:
    """The export of a lifter, over HTTP."""

    async def run() -> bytes:
        async with served(url, token=token) as client:
            answer = await client.get(f"/v1/lifters/{lifter_id}/export")
        assert answer.status_code == 200
        return answer.content

    return asyncio.run(run())


def sets_of(url: str, lifter_id: str = LIFTER) -> list[PerformedSet]:
    """The lifter's stored sets, oldest first."""

    async def question(store: Store, tenant_id: UUID) -> list[PerformedSet]:
        async with tenant_reading(store, tenant_id) as r:
            return [each async for each in sets_oldest_first(r, tenant_id, lifter_id)]

    return ask(url, question)


def lifter(url: str, lifter_id: str = LIFTER) -> LifterRow:
    """The stored lifter."""

    async def question(store: Store, tenant_id: UUID) -> LifterRow:
        async with tenant_reading(store, tenant_id) as r:
            found = await find_lifter(r, tenant_id, lifter_id)
        assert found is not None
        return found

    return ask(url, question)


def summary(url: str, lifter_id: str = LIFTER) -> Summary:
    """All that is saved as known of the lifter."""

    async def question(store: Store, tenant_id: UUID) -> Summary:
        async with tenant_reading(store, tenant_id) as r:
            return await load_known(r, tenant_id, lifter_id, exercises=None, muscles=None, weeks=None)

    return ask(url, question)


def rows(url: str) -> tuple[int, ...]:
    """How many lifters, sets and rows of what is known the gym has."""

    async def question(store: Store, tenant_id: UUID) -> tuple[int, ...]:
        tables = (lifters, performed_sets, summaries)
        async with tenant_reading(store, tenant_id) as r:
            found = [await r.execute(select(func.count()).select_from(table)) for table in tables]
        return tuple(counted.scalar_one() for counted in found)

    return ask(url, question)
