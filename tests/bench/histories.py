"""Histories of any length for benchmarks, as if an app had posted every set.

    await seed(url, tenant_id, "lark-6", 1_000_000)
    await multiply(url, tenant_id, "lark-3", 9_000)

Summaries are computed by the service's own code. Sets go straight into the table; other lifters have copies of one
lifter's, made by the database, so that ten million take minutes.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from uuid import UUID

from sqlalchemy import text

from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.rules.learning.fold import learn
from service.rules.learning.known import Known
from service.rules.learning.performed import PerformedSet
from service.storage.engine import close_store, open_store
from service.storage.lifters import lock_lifter
from service.storage.performed_rows import row_of
from service.storage.rows import insert_rows
from service.storage.schema import performed_sets
from service.storage.summaries import Summary, save_known
from service.storage.tenancy import tenant_writing

END = datetime(2026, 11, 1, 18, tzinfo=UTC)
EVERY = timedelta(minutes=5)  # a million sets fit into ten years
EXERCISES = ("leg_press", "barbell_bench_press", "dumbbell_bench_press", "machine_seated_row")
ROWS_AT_ONCE = 1000
LIFTERS_AT_ONCE = 50
_NUMBERS = (
    "WITH RECURSIVE numbers (n) AS (SELECT {first} UNION ALL SELECT n + 1 FROM numbers WHERE n < {last}) "
)
_COPIED = {
    "lifters": "experience, goal, cautions, site, created_at, updated_at, version",
    "summaries": "kind, key, content",
    "performed_sets": ", ".join(
        column.name for column in performed_sets.c if column.name not in ("tenant_id", "lifter_id")
    ),
}


def sets_until(end: datetime, count: int) -> Iterator[PerformedSet]:
    """Yield so many sets, five minutes apart, the last one at `end`."""
    for number in range(count):
        failed = number % 7 == 0
        yield PerformedSet(
            set_id=UUID(int=number + 1),
            performed_at=(end - (count - 1 - number) * EVERY).isoformat(),
            exercise=EXERCISES[number // 3 % len(EXERCISES)],
            load_kg=80.0 + number % 5,
            reps=8,
            set_endpoint="momentary_failure" if failed else "planned_stop",
            reported_rir=None if failed else 2.0,
            prescribed_rir=2.0,
        )


async def seed(url: str, tenant_id: UUID, lifter_id: str, count: int) -> None:
    """Give a new lifter so many sets, and what they teach."""
    policy = load_policies().newest
    basis = Basis(policy=policy, numbers=load_learning(policy))
    store, known, sets = open_store(url), Known(), sets_until(END, count)
    try:
        async with tenant_writing(store, tenant_id) as w:
            await lock_lifter(w, tenant_id, lifter_id, create=True, now=END)
        while some := list(islice(sets, ROWS_AT_ONCE)):
            for performed in some:
                learn(known, performed, basis.policy, basis.numbers)
            async with tenant_writing(store, tenant_id) as w:
                await insert_rows(w, performed_sets, [row_of(tenant_id, lifter_id, each) for each in some])
        async with tenant_writing(store, tenant_id) as w:
            await save_known(w, tenant_id, lifter_id, Summary(known=known, stamp=basis.stamp))
    finally:
        await close_store(store)


async def multiply(url: str, tenant_id: UUID, lifter_id: str, times: int) -> None:
    """Make so many lifters with the sets and summaries of one."""
    store = open_store(url)
    try:
        for first in range(1, times + 1, LIFTERS_AT_ONCE):
            numbers = _NUMBERS.format(first=first, last=min(first + LIFTERS_AT_ONCE - 1, times))
            async with tenant_writing(store, tenant_id) as w:
                for table, columns in _COPIED.items():
                    copy = (
                        f"{numbers} INSERT INTO {table} (tenant_id, lifter_id, {columns}) "  # noqa: S608 - our own names
                        f"SELECT tenant_id, 'copy-' || n, {columns} FROM {table} CROSS JOIN numbers "
                        "WHERE lifter_id = :lifter_id"
                    )
                    await w.execute(text(copy), {"lifter_id": lifter_id})
    finally:
        await close_store(store)
