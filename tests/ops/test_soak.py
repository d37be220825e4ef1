"""Ten minutes at half of capacity, by hand: nothing grows, nothing is lost, nothing fails."""

import asyncio
import statistics
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.ops.aftermath import LONG, TOLD
from tests.ops.balancer import balancer
from tests.ops.clients import CANARIES, Load, training
from tests.ops.cluster import DATABASE, durable_postgres
from tests.ops.prescribers import PRESCRIBERS, prescribing
from tests.ops.replicas import Replica, replica
from tests.ops.verdict import examined

MINUTE = 60.0
SOAK_SECONDS, WARM_SECONDS, SAMPLE_SECONDS, CAPACITY_SECONDS = 10 * MINUTE, 2 * MINUTE, 5.0, 20.0
APPS = 2
# Of what a process holds after two minutes; the allocator's own coming and going is about two percent.
MOST_GROWTH = 1.05


def held_by(one: Replica) -> tuple[int, int]:
    """Return resident memory [bytes] and open descriptors of a server and its workers."""
    memory = descriptors = 0
    for pid in one.pids():
        status = Path(f"/proc/{pid}/status").read_text("utf-8")
        memory += int(status.split("VmRSS:")[1].split()[0]) * 1024
        descriptors += len(list(Path(f"/proc/{pid}/fd").iterdir()))
    return memory, descriptors


def grown(samples: Iterable[tuple[int, int]]) -> tuple[float, int]:
    """Return by what factor memory grew from the first quarter of samples to the last; by how many descriptors."""
    memory, descriptors = zip(*samples, strict=True)
    quarter = len(memory) // 4
    return (
        statistics.median(memory[-quarter:]) / statistics.median(memory[:quarter]),
        int(statistics.median(descriptors[-quarter:]) - statistics.median(descriptors[:quarter])),
    )


def test_growth_is_seen() -> None:
    """A hundred kilobytes a sample, a descriptor a sample: told apart from a flat line with noise."""
    flat = [(100_000_000 + 500_000 * (n % 3), 40 + n % 2) for n in range(96)]
    leaking = [(memory + 100_000 * n, descriptors + n) for n, (memory, descriptors) in enumerate(flat)]
    assert grown(flat) == (pytest.approx(1, abs=0.01), 0)
    assert grown(leaking)[0] > MOST_GROWTH
    assert grown(leaking)[1] > 1


async def half_speed(load: Load) -> float:
    """Let everybody work at half of what the service can do; that rate [requests a second]."""
    began, done = time.monotonic(), load.seen.total()
    await asyncio.sleep(CAPACITY_SECONDS)
    capacity = (load.seen.total() - done) / (time.monotonic() - began)
    load.period_seconds = len(CANARIES) * APPS / (capacity / 2)
    return capacity / 2


@pytest.mark.skipif(not LONG, reason="takes twelve minutes: by hand, with EFFORT_OPS_LONG=1")
async def test_soak(tmp_path: Path) -> None:
    """Two replicas behind the balancer: memory and descriptors are flat after two minutes, every answer is good."""
    with durable_postgres() as server:
        url = server.url(DATABASE)
        with (
            replica(url, tmp_path) as one,
            replica(url, tmp_path) as other,
            balancer([one, other], tmp_path) as (address, name),
        ):
            samples: dict[int, list[tuple[int, int]]] = {one.port: [], other.port: []}
            async with training(address, url, tmp_path, apps=APPS) as load, prescribing(load) as seen:
                rate = await half_speed(load)
                began = time.monotonic()
                while (elapsed := time.monotonic() - began) < SOAK_SECONDS:
                    load.lifters = f"lifter-{elapsed // 30:.0f}"  # others train after a while
                    await asyncio.sleep(SAMPLE_SECONDS)
                    if elapsed > WARM_SECONDS:
                        for each in (one, other):
                            samples[each.port].append(held_by(each))
            verdict = await examined(url, load.journal.read())
    assert verdict.faults == ()
    assert load.seen.keys() == {"201"}, load.seen
    assert seen.keys() == {"200"}, seen
    TOLD.append(
        f"soak of {SOAK_SECONDS / MINUTE:.0f} minutes behind {name}: {rate:.0f} writes a second, half of capacity, "
        f"and {seen['200'] / SOAK_SECONDS:.0f} prescriptions by {PRESCRIBERS} callers; "
        f"{verdict.acknowledged} sets, none lost"
    )
    for held in samples.values():
        factor, more = grown(held)
        first, last = held[0], held[-1]
        TOLD.append(
            f"a replica after two minutes: {first[0] / 2**20:.1f} MiB, {first[1]} descriptors; at the end "
            f"{last[0] / 2**20:.1f} MiB, {last[1]}; growth of the medians {100 * (factor - 1):+.1f} %, {more:+d}"
        )
        assert factor < MOST_GROWTH, held
        assert more <= 1
