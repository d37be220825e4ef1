"""SIGTERM: not ready first, then no new connections, what has begun is finished, exit 0."""

import asyncio
import json
import os
import signal
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.databases import fresh_database
from tests.ops.replicas import Replica, children_of, launched, replica
from tests.serving import make_key

# A thousand bad contexts take longest: each is explained. Small steps, so that others have their turn.
SLOW = json.dumps({"contexts": [{"rep_target": 0, "exercise": f"none-{place}"} for place in range(1000)]})
DRAIN_SECONDS, SLOW_REQUESTS = 5, 12


async def status_of(client: httpx.AsyncClient, path: str) -> int | None:
    """Return the status of a GET on a connection of its own, None where none is to be had."""
    try:
        return (await client.get(path, headers={"connection": "close"})).status_code
    except httpx.TransportError:
        return None


class Ending:
    """A server that is told to stop, and what is seen of it until it is gone: seconds since, ready, live."""

    def __init__(self) -> None:
        self.seen: list[tuple[float, int | None, int | None]] = []
        self.slow: list[httpx.Response] = []
        self.exit_code: int | None = None

    def while_ready_was(self, status: int | None) -> list[float]:
        """Return the moments at which the readiness answered so."""
        return [at for at, ready, _ in self.seen if ready == status]


async def ended(one: Replica, token: str, signals: tuple[int, ...], *, group: bool) -> Ending:
    """Tell a server to stop while slow requests are in flight on each of its workers, and watch it."""
    found = Ending()
    headers = {"authorization": f"Bearer {token}", "content-type": "application/json"}
    async with httpx.AsyncClient(base_url=one.address, headers=headers, timeout=60, verify=False) as client:  # noqa: S501 - plain HTTP
        assert one.process is not None
        slow = [
            asyncio.create_task(client.post("/v1/prescriptions/batch", content=SLOW))
            for _ in range(SLOW_REQUESTS)
        ]
        await asyncio.sleep(0.3)
        assert not all(task.done() for task in slow), "the slow requests are not slow enough"
        begun = time.monotonic()
        for number in signals:
            one.signal(number) if group else one.process.send_signal(number)
            await asyncio.sleep(0.1)
        while one.process.poll() is None:
            ready, live = await asyncio.gather(
                status_of(client, "/health/ready"), status_of(client, "/health/live")
            )
            found.seen.append((time.monotonic() - begun, ready, live))
            await asyncio.sleep(0.1)
        found.exit_code = one.process.returncode
        found.slow = await asyncio.gather(*slow)
    return found


def assert_finished(found: Ending) -> None:
    """What was in flight got its whole answer, and the server says that all is well."""
    assert [answer.status_code for answer in found.slow] == [200] * SLOW_REQUESTS
    assert all(len(answer.json()["results"]) == 1000 for answer in found.slow)
    assert found.exit_code == 0


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("group", [False, True], ids=["the server is told", "all processes are told"])
async def test_ready_goes_red_first_then_what_has_begun_is_finished(
    workers: int, group: bool, tmp_path: Path
) -> None:
    """Some supervisors signal the server, others every process of it; told twice, the first time counts."""
    environ = {"EFFORT_DRAIN_SECONDS": str(DRAIN_SECONDS), "EFFORT_WORKERS": str(workers)}
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        with replica(url, tmp_path, **environ) as one:
            await asyncio.to_thread(wait_for_events, one, "Started worker-", workers)
            found = await ended(one, key.token, (signal.SIGTERM, signal.SIGTERM), group=group)
    assert_finished(found)
    red = found.while_ready_was(503)
    assert red, "it was never told that it is not ready"
    assert max(red) > DRAIN_SECONDS / 2, "it did not serve on"
    # Until the last worker has heeded the signal a green answer may pass; on a busy machine that takes a moment.
    assert not [at for at in found.while_ready_was(200) if at > DRAIN_SECONDS / 2]
    answered = [live for at, ready, live in found.seen if ready == 503 and at < DRAIN_SECONDS - 1]
    assert set(answered) <= {200}


async def test_without_a_time_to_drain_it_ends_as_soon_as_what_has_begun_is_finished(tmp_path: Path) -> None:
    """The default."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        with replica(url, tmp_path) as one:
            found = await ended(one, key.token, (signal.SIGTERM,), group=False)
    assert_finished(found)
    # It works on for seconds; before the signal is heeded a green answer may pass.
    assert max(found.while_ready_was(200), default=0) < found.seen[-1][0] / 2


@pytest.mark.parametrize("presses", [1, 4])
async def test_ctrl_c_skips_the_wait(presses: int, tmp_path: Path) -> None:
    """A terminal tells every process at once; what has begun is finished all the same, however often it is pressed."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        with replica(url, tmp_path, EFFORT_DRAIN_SECONDS="300", EFFORT_WORKERS="2") as one:
            await asyncio.to_thread(wait_for_events, one, "Started worker-", 2)
            found = await ended(one, key.token, (signal.SIGINT,) * presses, group=True)
    assert_finished(found)


@pytest.mark.parametrize("told_after_seconds", [None, 0.0, 0.2, 0.3, 0.4, 0.5, 0.7])
def test_told_while_its_workers_are_starting_it_ends_all_the_same(
    told_after_seconds: float | None, tmp_path: Path
) -> None:
    """A worker heeds no signal until its loop runs: what it was told before, it has to be told again.

    None: told before its workers do anything.
    """
    with fresh_database("sqlite") as url, launched(url, tmp_path, EFFORT_WORKERS="2") as one:
        assert one.process is not None
        workers = halted_children(one, 2)
        if told_after_seconds is None:
            one.process.terminate()
            time.sleep(0.2)
        for worker in workers:
            os.kill(worker, signal.SIGCONT)
        if told_after_seconds is not None:
            time.sleep(told_after_seconds)
            one.process.terminate()
        assert one.process.wait(30) == 0
        assert "Traceback" not in one.log.read_text("utf-8")


def halted_children(one: Replica, count: int) -> list[int]:
    """Return the ids of a server's first children, each halted as soon as it was seen."""
    assert one.process is not None
    halted: list[int] = []
    give_up = time.monotonic() + 40
    while len(halted) < count:
        assert time.monotonic() < give_up
        for child in set(children_of(one.process.pid)) - set(halted):
            os.kill(child, signal.SIGSTOP)
            halted.append(child)
    return halted


def wait_for_events(one: Replica, event: str, count: int) -> None:
    """Wait until the log tells that many events whose text begins so."""
    give_up = time.monotonic() + 40
    while one.log.read_text("utf-8").count(f'"event":"{event}') < count:
        assert time.monotonic() < give_up
        time.sleep(0.1)


async def test_the_log_says_what_happened(tmp_path: Path) -> None:
    """Every line is JSON; an operator reads why it is not ready, and that it ended."""
    with (
        fresh_database("sqlite", migrated=False) as url,
        replica(url, tmp_path, EFFORT_DRAIN_SECONDS="5") as one,
    ):
        assert one.process is not None
        assert children_of(one.process.pid)
        await asyncio.to_thread(wait_for_events, one, "not ready", 1)
        one.process.terminate()
        async with httpx.AsyncClient(base_url=one.address) as client:
            while one.process.poll() is None:  # asked all the while: readiness is looked at when asked
                await status_of(client, "/health/ready")
                await asyncio.sleep(0.1)
        assert one.process.wait(30) == 0
        lines: list[dict[str, Any]] = [json.loads(line) for line in one.log.read_text("utf-8").splitlines()]
    unready = [line["checks"] for line in lines if line["event"] == "not ready"]
    assert "run `effort migrate`" in unready[0]["schema"]
    assert "draining" not in unready[0]
    assert {"draining", "schema"} in [set(checks) for checks in unready]
    assert {line["level"] for line in lines if line["event"] == "not ready"} == {"warning"}
