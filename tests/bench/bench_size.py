"""What one item costs against how many there are, drawn as `cost_against_size.svg`. See README.md beside this file.

A flat line is a cost that grows with the size and no faster; for histories, one that does not grow at all.
"""

import asyncio
import gc
import json
import platform
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import AsyncExitStack
from itertools import pairwise
from math import log10
from pathlib import Path

from service.api.edge import ASGI
from service.app import create_app
from service.bulk.chunks import policies
from service.bulk.columns import Doubts, rows_of
from service.bulk.evaluate import targets
from service.bulk.members import flattened
from service.bulk.tables import tables_of
from service.pictures import drawing
from service.policy.catalogue import load_policies
from service.policy.plan_basis import load_plan_basis
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import stateless_start
from tests.bench.asgi import post
from tests.bench.bench_bulk import usual_table
from tests.bench.bench_plan import plan_of
from tests.bench.histories import seed
from tests.databases import fresh_database
from tests.serving import lifespan_of, make_key, settings_for

FILE = Path(__file__).with_name("cost_against_size.svg")
ROUNDS = 7
BATCHES = (1, 10, 100, 1000)
PLANS = (15, 50, 150, 500, 1500, 3000)
HISTORIES = (100, 1000, 10_000, 100_000)
ROWS = (10_000, 100_000, 1_000_000, 4_000_000)
LEFT, RIGHT, TOP, BOTTOM = 64, 470, 64, 400  # of the plot [px]; names of the lines stand right of it
SIZES, MICROSECONDS = (0, 7), (-2, 3)  # powers of ten on the axes

Point = tuple[int, float]


def least_seconds(work: Callable[[], object]) -> float:
    """Return the least processor time of a few calls [s]."""
    taken = []
    for _ in range(ROUNDS):
        started = time.process_time()
        work()
        taken.append(time.process_time() - started)
    return min(taken)


def bulk() -> Iterator[Point]:
    """Targets in memory: rows, microseconds a row."""
    tables = tables_of(policies().newest)
    for count in ROWS:
        (batch,) = usual_table(count).combine_chunks().to_batches()
        rows = rows_of(flattened(batch), tables.policy.data, tables.categorical.neutral, Doubts(count))
        yield count, least_seconds(lambda held=rows: targets(held, tables)) / count * 1e6


def plans() -> Iterator[Point]:
    """Whole plans, a session every other day: sets, microseconds a set."""
    basis = load_plan_basis(load_policies().newest)
    for sets in PLANS:
        plan = plan_of(sets, 48.0, None)
        taken = least_seconds(lambda held=plan: prescribe_plan(held, stateless_start(held), basis, "brief"))
        yield sets, taken / sets * 1e6


async def _asked(app: ASGI, path: str, token: str, bodies: list[bytes]) -> float:
    """Return the median processor time of a request [s]."""
    taken = []
    for body in bodies:
        started = time.process_time()
        status, told = await post(app, path, body, token, query=b"detail=brief")
        taken.append(time.process_time() - started)
        if status != 200:
            raise RuntimeError(f"{status} {told[:200]!r}")
    return statistics.median(taken)


def _contexts(count: int, of: int) -> bytes:
    contexts = [
        {
            "rep_target": 3 + (at + of) % 18,
            "load_percent_1rm": 40 + (at * 7 + of) % 500 / 10,
            "exposures": at % 30,
        }
        for at in range(count)
    ]
    return json.dumps({"contexts": contexts}).encode()


async def _through_the_api() -> tuple[list[Point], list[Point]]:
    with fresh_database("sqlite") as url:
        key = await make_key(url, "prescribe", "history:read")
        app = create_app(settings_for(url, EFFORT_RATE_LIMIT_PER_MINUTE="0"))
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(lifespan_of(app))
            batches = []
            for count in BATCHES:
                bodies = [_contexts(count, of) for of in range(20)]
                taken = await _asked(app, "/v1/prescriptions/batch", key.token, bodies)
                batches.append((count, taken / count * 1e6))
            histories = []
            body = b'{"exercise":"barbell_bench_press","rep_target":8,"load_kg":80,"set_order":2}'
            for sets in HISTORIES:
                lifter = f"lark-{sets}"
                await seed(url, key.tenant_id, lifter, sets)
                taken = await _asked(app, f"/v1/lifters/{lifter}/prescriptions", key.token, [body] * 300)
                histories.append((sets, taken * 1e6))
    return batches, histories


def _across(size: float) -> float:
    return LEFT + (log10(size) - SIZES[0]) / (SIZES[1] - SIZES[0]) * (RIGHT - LEFT)


def _up(microseconds: float) -> float:
    return BOTTOM - (log10(microseconds) - MICROSECONDS[0]) / (MICROSECONDS[1] - MICROSECONDS[0]) * (
        BOTTOM - TOP
    )


def _axes() -> Iterator[str]:
    for power in range(MICROSECONDS[0], MICROSECONDS[1] + 1):
        yield drawing.line(LEFT, _up(10.0**power), RIGHT, _up(10.0**power), "grid")
        yield drawing.text(LEFT - 8, _up(10.0**power) + 4, f"{10.0**power:g}", "quiet end")
    for power in range(SIZES[0], SIZES[1] + 1):
        yield drawing.text(_across(10.0**power), BOTTOM + 20, f"1e{power}", "quiet middle")
    yield drawing.text(LEFT, TOP - 10, "microseconds of one core an item", "quiet")
    yield drawing.text(RIGHT, BOTTOM + 40, "items", "quiet end")


def chart(lines: dict[str, list[Point]], told: str) -> str:
    """Return the picture: a line for each name, on two logarithmic axes."""
    parts = [
        drawing.text(drawing.EDGE, 32, "What an item costs, against how many there are", "head"),
        *_axes(),
    ]
    for name, points in lines.items():
        places = [(_across(size), _up(cost)) for size, cost in points]
        parts += [drawing.line(*one, *other, "rule") for one, other in pairwise(places)]
        parts += [drawing.circle(*place, 4, "away") for place in places]
        parts += [drawing.text(RIGHT + 14, places[-1][1] + 4, name, "quiet")]
    parts.append(drawing.text(drawing.EDGE, BOTTOM + 70, told, "quiet"))
    described = "; ".join(
        f"{name}: {', '.join(f'{s:g} at {c:.3g} us' for s, c in p)}" for name, p in lines.items()
    )
    return drawing.picture(BOTTOM + 90, "Cost against size", described, parts)


def main() -> None:
    """Print the points and write the picture."""
    gc.freeze()
    batches, histories = asyncio.run(_through_the_api())
    lines = {
        "prescription from history": histories,
        "set of a plan": list(plans()),
        "context of a batch": batches,
        "row of a bulk run": list(bulk()),
    }
    for name, points in lines.items():
        print(name.ljust(28), "  ".join(f"{size:>9,}: {cost:8.3g} us" for size, cost in points))
    machine = f"Python {platform.python_version()}, {platform.machine()}"
    told = f"{time.strftime('%Y-%m-%d')}, {machine}, processor time, SQLite"
    FILE.write_text(chart(lines, told), "utf-8")


if __name__ == "__main__":
    main()
