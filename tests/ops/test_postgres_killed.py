"""kill -9 of PostgreSQL under load, and of a primary whose standby takes over."""

import asyncio
from pathlib import Path

from tests.ops.aftermath import KILLS, LOAD_SECONDS, TOLD, assert_nothing_lost
from tests.ops.clients import training
from tests.ops.cluster import DATABASE, FORGETFUL, crash, crash_and_start, durable_postgres
from tests.ops.replicas import replica
from tests.ops.verdict import examined
from tests.postgres import sql, start


async def test_killed_postgres_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """Killed again and again in the midst of commits; the service goes on by itself each time."""
    with durable_postgres() as server, replica(server.url(DATABASE), tmp_path) as one:
        url = server.url(DATABASE)
        async with training(one.address, url, tmp_path) as load:
            for _ in range(KILLS - 1):
                await load.going_on(LOAD_SECONDS)
                await asyncio.to_thread(crash_and_start, server)
            await load.going_on(LOAD_SECONDS)
            await asyncio.to_thread(crash, server)
        await asyncio.to_thread(start, server)
        verdict = await assert_nothing_lost(load, url, told=f"kill -9 of PostgreSQL, {KILLS} times")
    assert verdict.acknowledged > 0
    assert verdict.unknown > 0


async def test_control_commits_told_before_they_are_on_disk_are_lost(tmp_path: Path) -> None:
    """`synchronous_commit=off`: the same kill loses acknowledged sets, and this harness sees it."""
    with durable_postgres(*FORGETFUL) as server, replica(server.url(DATABASE), tmp_path) as one:
        async with training(one.address, server.url(DATABASE), tmp_path) as load:
            # Tables and keys are safe; what comes after is not.
            await asyncio.to_thread(sql, server, "CHECKPOINT")
            await load.going_on(LOAD_SECONDS)
            await asyncio.to_thread(crash, server)
        await asyncio.to_thread(start, server)
        verdict = await examined(server.url(DATABASE), load.journal.read())
    assert verdict.lost > 0
    TOLD.append(
        f"control, synchronous_commit=off: {verdict.lost} of {verdict.acknowledged} acknowledged sets lost"
    )
