"""kill -9 of one of two replicas behind the balancer: callers do not notice, writes are stored once."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.databases import fresh_database
from tests.ops import balancer as balancers
from tests.ops.aftermath import KILLS, LOAD_SECONDS, TOLD, assert_nothing_lost
from tests.ops.balancer import balancer
from tests.ops.clients import Load, training
from tests.ops.prescribers import prescribing
from tests.ops.replicas import Replica, replica
from tests.ops.verdict import examined

NOTICED_WITHIN_SECONDS = 1.5


@contextmanager
def two_replicas(folder: Path) -> Iterator[tuple[str, list[Replica]]]:
    """Yield two replicas on one database, and its URL."""
    with fresh_database("postgresql") as url, replica(url, folder) as one, replica(url, folder) as other:
        yield url, [one, other]


async def kill_in_turn(load: Load, replicas: list[Replica], kills: int) -> None:
    """Kill one, give callers time to notice, start it again, and the other one next."""
    for kill in range(kills):
        await load.going_on(LOAD_SECONDS)
        replicas[kill % 2].kill()
        await asyncio.sleep(NOTICED_WITHIN_SECONDS)
        await asyncio.to_thread(replicas[kill % 2].start)


@pytest.mark.parametrize("program", ["as found", "stand-in"])
async def test_nobody_notices_the_death_of_one_of_two_replicas(
    tmp_path: Path, program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Prescriptions without history are all 200; sets sent with a key are stored once; those without at most once.

    Nobody could tell the second of two writes without a key from a new one, so the balancer must not send it again.
    """
    if program == "stand-in":
        monkeypatch.setattr(balancers, "haproxy", lambda: None)
    kills = KILLS if program == "as found" else 1
    with two_replicas(tmp_path) as (url, replicas), balancer(replicas, tmp_path) as (address, name):
        async with (
            training(address, url, tmp_path, apps=1) as load,
            training(address, url, tmp_path, apps=1, keys="none", lifters="keyless") as keyless,
            prescribing(load) as seen,
        ):
            await kill_in_turn(load, replicas, kills)
        verdict = await assert_nothing_lost(
            load, url, told=f"kill -9 of a replica behind {name}, {kills} times"
        )
        without_keys = await examined(url, keyless.journal.read())
    assert seen.keys() == {"200"}, seen
    assert verdict.acknowledged > 0
    assert (without_keys.faults, keyless.unexpected) == ((), [])
    assert without_keys.acknowledged > 0
    TOLD.append(f"meanwhile prescriptions without history: {seen['200']} of {seen.total()} were 200")
    TOLD.append(f"meanwhile writes without a key: {dict(keyless.seen)}, none stored twice or in part")


async def test_control_a_balancer_that_only_deals_out_shows_the_death(tmp_path: Path) -> None:
    """Without health checks and second tries callers see errors, and this harness sees them."""
    with (
        two_replicas(tmp_path) as (url, replicas),
        balancer(replicas, tmp_path, careful=False) as (address, name),
    ):
        async with training(address, url, tmp_path, apps=0) as load, prescribing(load) as seen:
            await asyncio.sleep(LOAD_SECONDS / 2)
            replicas[0].kill()
            for _ in range(60):
                await asyncio.sleep(LOAD_SECONDS / 2)
                if seen.keys() - {"200"}:
                    break
    errors = seen.total() - seen["200"]
    assert errors > 0
    TOLD.append(f"control, {name} without checks and second tries: {errors} of {seen.total()} were errors")
