"""Ready or not, and which check fails. No restart is needed to become ready."""

import asyncio
import logging
import time
from contextlib import AsyncExitStack

import httpx
import pytest

from service.api.readiness import KEPT_SECONDS, PATIENCE_SECONDS, Readiness
from service.storage.engine import Store, open_store, reading
from service.storage.migrate import migrate
from tests.api.problem_shape import assert_problem
from tests.databases import Kind, fresh_database, outside_loop
from tests.ops.cluster import DATABASE, make_database
from tests.ops.wire import wire_to
from tests.postgres import running_postgres, start, stop
from tests.serving import served


async def test_a_database_that_was_not_migrated_is_told_and_migrating_helps_without_a_restart(
    bare_database_url: str, caplog: pytest.LogCaptureFixture
) -> None:
    """The problem and the log name the check and the command."""
    caplog.set_level(logging.INFO, "service.api")
    async with served(bare_database_url) as client:
        for _ in range(2):
            refused = await client.get("/health/ready")
            problem = assert_problem(refused, 503, "schema")
            assert problem["type"] == "/problems/not-ready"
            assert "run `effort migrate`" in problem["errors"][0]["detail"]
            assert int(refused.headers["retry-after"]) > 0
        assert (await client.get("/health/live")).json() == {"status": "live"}
        outside_loop(lambda: migrate(bare_database_url))
        await asyncio.sleep(KEPT_SECONDS)
        assert (await client.get("/health/ready")).json() == {"status": "ready", "policy": "2026-11-26"}
    told = [record for record in caplog.records if "ready" in record.getMessage()]
    assert [record.getMessage() for record in told] == ["not ready", "ready"]
    assert "run `effort migrate`" in told[0].told["checks"]["schema"]  # type: ignore[attr-defined]


async def ready(readiness: Readiness) -> None:
    """Wait until no check fails: on a busy machine the first look may take longer than it may."""
    give_up = time.monotonic() + 15
    while (faults := await readiness.faults()) != ():
        assert time.monotonic() < give_up, faults
        await asyncio.sleep(KEPT_SECONDS)


async def ready_again(client: httpx.AsyncClient) -> None:
    """Wait until the service is ready."""
    give_up = time.monotonic() + 15
    while (await client.get("/health/ready")).status_code != 200:
        assert time.monotonic() < give_up
        await asyncio.sleep(0.2)


async def test_a_database_that_is_stopped_is_told_and_its_return_is_noticed() -> None:
    """No host, port or user is in the answer."""
    with running_postgres() as server:
        async with served(make_database(server, DATABASE)) as client:
            await ready_again(client)
            await asyncio.to_thread(stop, server)
            await asyncio.sleep(KEPT_SECONDS)
            refused = await client.get("/health/ready")
            assert_problem(refused, 503, "database")
            assert str(server.port) not in refused.text
            assert "127.0.0.1" not in refused.text
            await asyncio.to_thread(start, server)
            await ready_again(client)


async def test_a_database_that_never_answers_is_told_in_time() -> None:
    """A network that drops everything: many ask, one looks, all hear within the patience."""
    with running_postgres() as server, wire_to(server.port) as wire:
        url = make_database(server, DATABASE).replace(str(server.port), str(wire.port))
        async with served(url) as client:
            await ready_again(client)
            wire.hold()
            await asyncio.sleep(KEPT_SECONDS)
            begun = time.monotonic()
            answers = await asyncio.gather(*(client.get("/health/ready") for _ in range(20)))
            took = time.monotonic() - begun
            wire.release()
            await ready_again(client)
    for answer in answers:
        assert_problem(answer, 503, "database")
    assert (
        PATIENCE_SECONDS - 0.5 < took < 5 * PATIENCE_SECONDS
    )  # one by one, twenty would take twenty times as long


async def test_a_pool_that_is_used_up_does_not_make_it_unready(database_kind: Kind) -> None:
    """Else load would take one replica after the other out of service."""
    with fresh_database(database_kind) as url:
        store = open_store(url)
        readiness = Readiness(open_store(url))
        async with AsyncExitStack() as stack:
            for _ in range(10 if database_kind == "postgresql" else 4):
                await stack.enter_async_context(reading(store))
            await ready(readiness)
        await readiness.close()
        await store.readers.dispose()


async def test_it_is_looked_at_once_a_second_however_many_ask(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundred balancers cost one look."""
    looks = 0

    async def look(_store: Store) -> None:
        nonlocal looks
        looks += 1
        await asyncio.sleep(0)

    monkeypatch.setattr("service.api.readiness.check_ready", look)
    clock = [0.0]
    readiness = Readiness(store, monotonic=lambda: clock[0])
    for clock[0] in (0.0, 0.5, 0.99, 1.0, 1.5, 2.1):
        await asyncio.gather(*(readiness.faults() for _ in range(100)))
    assert looks == 3


async def test_a_process_told_to_stop_is_not_ready_at_once(store: Store) -> None:
    """What was found a moment ago does not count."""
    readiness = Readiness(store)
    await ready(readiness)
    readiness.draining = True
    assert [fault.place for fault in await readiness.faults()] == ["draining"]
