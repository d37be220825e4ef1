"""Latency of a prescription from history against the size of the history, and of the store. See README.md beside this.

    .venv/bin/python -m tests.bench.bench_flat [sqlite|postgresql] [SETS_IN_STORE]

One store holds one lifter with a hundred sets. The other holds lifters with 1e2, 1e4 and 1e6 sets, and so
many more that there are SETS_IN_STORE in all (ten million by default; seeding takes minutes). The same request
goes to each in turn, so that whatever else the machine does falls on all alike.
"""

import asyncio
import gc
import json
import platform
import statistics
import sys
import time
from contextlib import AsyncExitStack, ExitStack
from typing import cast

from service.api.edge import ASGI
from service.app import create_app
from service.storage.keys import NewKey
from tests.bench.asgi import post
from tests.bench.histories import multiply, seed
from tests.databases import KINDS, Kind, fresh_database
from tests.serving import lifespan_of, make_key, settings_for

SIZES = (100, 10_000, 1_000_000)
COPIED = 1000  # sets of each of the many other lifters
ROUNDS, WARM_UP = 3000, 300
BODY = json.dumps(
    {"exercise": "barbell_bench_press", "rep_target": 8, "load_kg": 80, "set_order": 2}
).encode()

Target = tuple[str, ASGI, str, str]


async def _open(stack: AsyncExitStack, url: str) -> tuple[ASGI, NewKey]:
    key = await make_key(url, "prescribe", "history:read")
    app = create_app(settings_for(url, EFFORT_RATE_LIMIT_PER_MINUTE="0"))
    await stack.enter_async_context(lifespan_of(app))
    return app, key


async def _ask(target: Target) -> float:
    _, app, token, lifter_id = target
    started = time.perf_counter()
    status, body = await post(
        app, f"/v1/lifters/{lifter_id}/prescriptions", BODY, token, query=b"detail=brief"
    )
    taken = time.perf_counter() - started
    if status != 200 or b"load_percent_1rm" not in body:
        raise RuntimeError(f"{status} {body[:200]!r}")
    return taken


async def _compare(small_url: str, large_url: str, in_store: int) -> dict[str, list[float]]:
    async with AsyncExitStack() as stack:
        small, small_key = await _open(stack, small_url)
        large, large_key = await _open(stack, large_url)
        await seed(small_url, small_key.tenant_id, "lark-100", SIZES[0])
        targets: list[Target] = [("1e2 sets, nobody else", small, small_key.token, "lark-100")]
        for size in SIZES:
            await seed(large_url, large_key.tenant_id, f"lark-{size}", size)
            name = f"{size:.0e} sets, {in_store:.0e} in the store".replace("e+0", "e")
            targets.append((name, large, large_key.token, f"lark-{size}"))
        others = max(0, in_store - sum(SIZES)) // COPIED
        await seed(large_url, large_key.tenant_id, "lark-copied", COPIED)
        await multiply(large_url, large_key.tenant_id, "lark-copied", others)
        taken: dict[str, list[float]] = {name: [] for name, *_ in targets}
        gc.disable()
        for turn in range(WARM_UP + ROUNDS):
            for target in targets[:: 1 if turn % 2 else -1]:
                seconds = await _ask(target)
                if turn >= WARM_UP:
                    taken[target[0]].append(seconds)
        return taken


def main() -> None:
    """Print the median of each, and the ratio of the largest to the smallest."""
    kinds = [cast("Kind", kind) for kind in sys.argv[1:2]] or list(KINDS)
    in_store = int(sys.argv[2]) if len(sys.argv) > 2 else 10_000_000
    print(f"Python {platform.python_version()}, {ROUNDS} requests each, in turn, within one process")
    for kind in kinds:
        with ExitStack() as stack:
            urls = [stack.enter_context(fresh_database(kind)) for _ in range(2)]
            taken = asyncio.run(_compare(urls[0], urls[1], in_store))
        medians = {name: statistics.median(seconds) * 1e6 for name, seconds in taken.items()}
        for name, median in medians.items():
            print(f"{kind:<10} {name:<36} p50 {median:7.0f} us")
        print(f"{kind:<10} largest / smallest {max(medians.values()) / min(medians.values()):.2f}")


if __name__ == "__main__":
    main()
