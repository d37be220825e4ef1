"""kill -9 of the API process under load: every acknowledged set once, whatever the database."""

import asyncio
from pathlib import Path

from tests.databases import Kind, fresh_database
from tests.ops.aftermath import KILLS, LOAD_SECONDS, TOLD, assert_nothing_lost
from tests.ops.clients import training
from tests.ops.replicas import replica
from tests.ops.verdict import examined

LOST_EVERY = 5


async def test_killed_process_loses_and_doubles_nothing(database_kind: Kind, tmp_path: Path) -> None:
    """Killed again and again in the midst of writes, started again, never repaired."""
    with fresh_database(database_kind) as url, replica(url, tmp_path) as one:
        async with training(one.address, url, tmp_path) as load:
            for _ in range(KILLS - 1):
                await load.going_on(LOAD_SECONDS)
                one.kill()
                await asyncio.to_thread(one.start)
            await load.going_on(LOAD_SECONDS)
            # Nobody tries again after the last: what was cut off is judged as it is.
            one.kill()
        await asyncio.to_thread(one.start)
        verdict = await assert_nothing_lost(
            load, url, told=f"kill -9 of the API on {database_kind}, {KILLS} times"
        )
    assert verdict.acknowledged > 0
    # Clients were at work when it died. How many were cut off in the midst of a request is a matter of the moment.
    assert any(kind.endswith("Error") for kind in load.seen)


async def test_control_a_client_that_forgets_its_key_doubles_sets(tmp_path: Path) -> None:
    """The mistake the key is there for: tried again under a new one, what was stored unheard of is stored twice."""
    found = {}
    for keys in ("same", "new"):
        with fresh_database("sqlite") as url, replica(url, tmp_path) as one:
            lost: set[int] = set()

            def loses(number: int, lost: set[int] = lost) -> bool:
                first = number % LOST_EVERY == 0 and number not in lost
                lost.add(number)
                return first

            async with training(one.address, url, tmp_path, keys=keys, loses=loses) as load:
                await load.going_on(LOAD_SECONDS)
            found[keys] = await examined(url, load.journal.read())
    assert found["same"].faults == ()
    doubled = [fault for fault in found["new"].faults if "more than once" in fault]
    assert doubled
    TOLD.append(f"control, a new key for each try: {len(doubled)} requests stored more than once")
