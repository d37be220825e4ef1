"""The disk fills up under load: 503, nothing half-written, all well once there is room, and nobody restarts the API.

Prescriptions without history never notice.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.ops.aftermath import LOAD_SECONDS, assert_nothing_lost
from tests.ops.clients import Load, training
from tests.ops.cluster import DATABASE, durable_postgres, make_database, processes_of, start_again
from tests.ops.full_disk import limit_files, small_volume
from tests.ops.prescribers import prescribing
from tests.ops.replicas import Replica, replica
from tests.postgres import PostgresMissingError, PostgresServer, run, sql, start, stop

# Less than any log of writes that is in use.
FEW_BYTES = 16384


@asynccontextmanager
async def running_out(
    one: Replica, url: str, folder: Path, fill: Callable[[], object], clear: Callable[[], object]
) -> AsyncIterator[Load]:
    """Yield a load during which the room ran out and came back; what was answered meanwhile has been looked at."""
    pids = one.pids()
    async with training(one.address, url, folder) as load, prescribing(load) as seen:
        await load.going_on(LOAD_SECONDS)
        assert load.seen.keys() == {"201"}
        await asyncio.to_thread(fill)
        await asyncio.sleep(LOAD_SECONDS)
        await assert_refused(load)
        await asyncio.to_thread(clear)
        await load.going_on(LOAD_SECONDS)
    assert load.seen.keys() == {"201", "503"}, load.unexpected
    assert seen.keys() == {"200"}, seen
    assert one.pids() == pids
    yield load


async def assert_refused(load: Load) -> None:
    """A write is told in the one shape of errors to come again."""
    async with load.client("harbour-street-gym") as client:
        for number in range(50):
            # What room is left inside pages takes a few more.
            sets = [{**SET, "note": "n" * 500, "load_kg": number} for _ in range(200)]
            answer = await client.post("/v1/lifters/filler/sets", json={"sets": sets})
            if answer.status_code != httpx.codes.CREATED:
                break
        assert_problem(answer, 503)
        assert int(answer.headers["retry-after"]) > 0


SET = {
    "performed_at": "2026-01-05T18:00:00Z",
    "exercise": "leg_press",
    "load_kg": 100,
    "reps": 8,
    "set_endpoint": "planned_stop",
}


async def test_full_disk_under_sqlite(tmp_path: Path) -> None:
    """Writes fail in the midst of the file; each is undone as a whole."""
    with fresh_database("sqlite") as url, replica(url, tmp_path) as one:
        async with running_out(
            one,
            url,
            tmp_path,
            lambda: limit_files(one.pids(), FEW_BYTES),
            lambda: limit_files(one.pids(), None),
        ) as load:
            await assert_nothing_lost(load, url, told="no room for SQLite")


async def test_full_disk_under_the_tables_of_postgres(tmp_path: Path) -> None:
    """PostgreSQL itself goes on; only what needs a new page is refused."""
    with durable_postgres() as server, small_volume(server.run_as, mebibytes=64) as volume:
        if volume is None:
            pytest.skip("a volume for the tables has to be mounted, which takes root")
        sql(server, f"CREATE TABLESPACE small LOCATION '{volume.path}'")
        url = make_database(server, "small_effort", "TABLESPACE small")
        with replica(url, tmp_path) as one:
            async with running_out(one, url, tmp_path, volume.fill, volume.clear) as load:
                await assert_nothing_lost(load, url, told="no room for the tables of PostgreSQL")
        sql(server, "DROP DATABASE small_effort", "DROP TABLESPACE small")


async def test_full_disk_under_the_log_of_postgres(tmp_path: Path) -> None:
    """PostgreSQL falls over. With room again it comes back, or an operator starts it; nobody touches the API."""
    with durable_postgres() as server, small_volume(server.run_as, mebibytes=64) as volume:
        url, said = server.url(DATABASE), list[str]()
        if volume is not None:
            move_log(server, volume.path)

        def fill() -> None:
            if volume is None:
                limit_files(processes_of(server), FEW_BYTES, server.run_as)
                return
            volume.fill()
            with pytest.raises(PostgresMissingError):
                sql(server, *["SELECT pg_switch_wal()", "SELECT txid_current()"] * 20)

        def clear() -> None:
            if volume is not None:
                volume.clear()
            said.append(start_again(server))

        with replica(url, tmp_path) as one:
            async with running_out(one, url, tmp_path, fill, clear) as load:
                room = "full volume" if volume else "limit on files"
                await assert_nothing_lost(
                    load, url, told=f"no room for the log of PostgreSQL ({room}): {said[0]}"
                )
        stop(server)


def move_log(server: PostgresServer, folder: Path) -> None:
    """Put the server's write-ahead log into another folder."""
    stop(server)
    log = server.data / "pg_wal"
    run(["sh", "-c", f"mv {log} {folder}/pg_wal && ln -s {folder}/pg_wal {log}"], server.run_as)
    start(server)
