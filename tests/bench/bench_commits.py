"""Sets posted to SQLite by many clients at once, with shared commits and with a commit each, on disks fast and slow.

    .venv/bin/python -m tests.bench.bench_commits [CLIENTS]

Both ways take turns within one process, so that whatever else the machine does falls on both alike. The slow disk is
this one with a pause in the commit. Meanwhile another process writes now and then, as a command does: what it waits.
"""

import asyncio
import json
import platform
import statistics
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import AsyncExitStack, contextmanager
from dataclasses import replace
from itertools import count
from typing import Any, NamedTuple
from unittest.mock import patch

import aiosqlite

import service.app
from service.api.edge import ASGI
from service.storage.engine import Store, open_store
from tests.bench.asgi import post
from tests.databases import fresh_database
from tests.serving import lifespan_of, make_key, settings_for

ROUNDS, SECONDS, CLIENTS = 5, 3.0, 32
SLOWER_SECONDS = (0.0, 0.005)
SET = {
    "performed_at": "2026-11-01T18:00:00Z",
    "exercise": "leg_press",
    "load_kg": 120,
    "reps": 8,
    "set_endpoint": "planned_stop",
    "reported_rir": 2,
}
OTHER_PROCESS = """
import sqlite3, sys, time
connection = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=5.0)
ends, waits, refused = time.monotonic() + float(sys.argv[2]), [], 0
while time.monotonic() < ends:
    time.sleep(0.05)
    began = time.monotonic()
    try:
        connection.execute("BEGIN IMMEDIATE")
        waits.append(time.monotonic() - began)
        connection.execute("COMMIT")
    except sqlite3.OperationalError:
        refused += 1
print(len(waits), refused, max(waits, default=0))
"""


class Rate(NamedTuple):
    """Sets posted a second, processor time and commits of each, how long they took and how many were refused.

    And of another process that writes now and then, the longest wait [s] and how often it was in vain.
    """

    per_second: float
    cpu_us: float
    commits: float
    p99_ms: float
    refused: int
    other_waited: float
    other_refused: int


@contextmanager
def _slower(seconds: float, counted: Counter[str]) -> Iterator[None]:
    async def commit(self: Any) -> None:
        counted["commits"] += 1

        def work() -> None:
            time.sleep(seconds)
            self._conn.commit()

        await self._execute(work)

    with patch.object(aiosqlite.Connection, "commit", commit):
        yield


def _one_commit_each(url: str, **more: Any) -> Store:
    return replace(open_store(url, **more), line=None)


async def _rate(app: ASGI, url: str, token: str, slower: float, clients: int, run: str) -> Rate:
    ends, numbers, taken, counted = time.perf_counter() + SECONDS, count(), [], Counter[str]()

    async def client(lifter: int) -> None:
        while time.perf_counter() < ends:
            began = time.perf_counter()
            body = json.dumps({"sets": [SET]}).encode()
            key = f"{run}-{next(numbers)}"
            status, told = await post(
                app, f"/v1/lifters/{run}-{lifter}/sets", body, token, idempotency_key=key
            )
            if status == 503:
                counted["refused"] += 1
                continue
            if status >= 300:
                raise RuntimeError(told)
            taken.append(time.perf_counter() - began)

    command = ["-c", OTHER_PROCESS, url.removeprefix("sqlite:///"), str(SECONDS)]
    other = await asyncio.create_subprocess_exec(sys.executable, *command, stdout=subprocess.PIPE)
    with _slower(slower, counted):
        began, cpu = time.perf_counter(), time.process_time()
        await asyncio.gather(*(client(lifter) for lifter in range(clients)))
        spent, cpu = time.perf_counter() - began, time.process_time() - cpu
    _, refused, longest = (await other.communicate())[0].split()
    posted = len(taken)
    p99 = statistics.quantiles(taken, n=100)[98] * 1e3
    return Rate(
        posted / spent,
        cpu / posted * 1e6,
        counted["commits"] / posted,
        p99,
        counted["refused"],
        float(longest),
        int(refused),
    )


async def _compare(url: str, clients: int) -> dict[tuple[float, str], list[Rate]]:
    key = await make_key(url, "history:write")
    found: dict[tuple[float, str], list[Rate]] = {}
    async with AsyncExitStack() as stack:
        apps = {}
        for way, opened in {"shared": open_store, "a commit each": _one_commit_each}.items():
            with patch.object(service.app, "open_store", opened):
                apps[way] = service.app.create_app(settings_for(url, EFFORT_RATE_LIMIT_PER_MINUTE="0"))
                await stack.enter_async_context(lifespan_of(apps[way]))
        for turn in range(ROUNDS + 1):  # the first warms up
            for slower in SLOWER_SECONDS:
                for way in list(apps)[:: 1 if turn % 2 else -1]:
                    run = f"{turn}-{slower * 1e3:.0f}-{way[0]}"
                    rate = await _rate(apps[way], url, key.token, slower, clients, run)
                    found.setdefault((slower, way), []).append(rate)
    return {case: rates[1:] for case, rates in found.items()}


def main() -> None:
    """Print the medians of each way, and what they are against each other."""
    clients = int(sys.argv[1]) if len(sys.argv) > 1 else CLIENTS
    print(f"Python {platform.python_version()}, {clients} clients, {ROUNDS} x {SECONDS:.0f} s")
    with fresh_database("sqlite") as url:
        found = asyncio.run(_compare(url, clients))
    for (slower, way), rates in found.items():
        medians = Rate(*(statistics.median(values) for values in zip(*rates, strict=True)))
        refused, others = (sum(rate[place] for rate in rates) for place in (4, 6))
        longest = max(rate.other_waited for rate in rates)
        print(
            f"disk slower by {slower * 1e3:.0f} ms, {way:<13} {medians.per_second:4.0f}/s, p99 {medians.p99_ms:.0f} ms,"
            f" {medians.cpu_us:.0f} us of processor and {medians.commits:.2f} commits each, {refused:.0f} refused;"
            f" another process waited up to {longest:.2f} s, {others:.0f} times in vain"
        )
    for slower in SLOWER_SECONDS:
        pairs = list(zip(found[slower, "shared"], found[slower, "a commit each"], strict=True))
        rate = statistics.median(one.per_second / other.per_second for one, other in pairs)
        cpu = statistics.median(one.cpu_us / other.cpu_us for one, other in pairs)
        print(
            f"disk slower by {slower * 1e3:.0f} ms, shared / a commit each: rate {rate:.2f}, processor {cpu:.2f}"
        )


if __name__ == "__main__":
    main()
