"""Several workers of one server: one set of metrics, and a dead worker is replaced."""

import asyncio
import contextlib
import os
import signal
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from tests.databases import Kind, fresh_database
from tests.ops.replicas import Replica, children_of, replica
from tests.ops.scrapes import requests_of, scrape
from tests.serving import make_key

BODY = {"rep_target": 8}
CALLS: tuple[tuple[str, str, object], ...] = (
    ("POST", "/v1/prescriptions?detail=brief", BODY),
    ("POST", "/v1/prescriptions", {"rep_target": 0}),
    ("POST", "/v1/prescriptions/batch", {"contexts": [BODY, {}, BODY]}),
    ("GET", "/v1/lifters/lark-{number}/state", None),
    ("GET", "/nothing/{number}", None),
)
ROUTES = {
    "/v1/prescriptions?detail=brief": "/v1/prescriptions",
    "/v1/lifters/lark-{number}/state": "/v1/lifters/{lifter_id}/state",
    "/nothing/{number}": "unmatched",
}


def workers_of(one: Replica) -> list[int]:
    """Return the ids of the workers; the server may have other children for a moment."""
    assert one.process is not None
    return children_of(one.process.pid)


def wait_until(holds: Callable[[], bool], told: str, within_seconds: float = 40) -> None:
    """Wait until something holds. Raises AssertionError when it takes too long."""
    give_up = time.monotonic() + within_seconds
    while not holds():
        assert time.monotonic() < give_up, told
        time.sleep(0.1)


async def call_all(address: str, token: str, rounds: int, seen: Counter[tuple[str, str, str]]) -> None:
    """Make every call so often, each on a connection of its own, and count the answers as a client sees them."""
    headers = {"authorization": f"Bearer {token}"}
    for number in range(rounds):
        for method, path, body in CALLS:
            async with httpx.AsyncClient(headers=headers, timeout=30, verify=False) as client:  # noqa: S501 - plain HTTP
                answer = await client.request(
                    method, address + path.replace("{number}", str(number)), json=body
                )
            seen[method, str(answer.status_code), ROUTES.get(path, path)] += 1


async def test_metrics_of_two_workers_add_up_to_what_clients_counted(
    database_kind: Kind, tmp_path: Path
) -> None:
    """Exactly, whichever worker is asked, and each of the two has worked."""
    with fresh_database(database_kind) as url:
        key = await make_key(url, "prescribe", "history:read")
        with replica(url, tmp_path, EFFORT_WORKERS="2", EFFORT_LOG_REQUESTS="all") as one:
            wait_until(lambda: len(workers_of(one)) == 2, "two workers")
            seen: Counter[tuple[str, str, str]] = Counter()
            await asyncio.gather(*(call_all(one.address, key.token, 8, seen) for _ in range(4)))
            scrapes = [await asyncio.to_thread(scrape, one.address) for _ in range(10)]
            assert one.stop() == 0
        log = one.log.read_text("utf-8")
    for found in scrapes:
        assert requests_of(found) == seen
        assert found["effort_prescriptions_total", "prescribe", "brief"] == 32
        assert found["effort_prescriptions_total", "prescribe", "full"] == 64
        assert found["effort_problems_total", "not-found"] == 64
        assert {key[1] for key in found if key[0] == "process_resident_memory_bytes"} == {"0", "1"}
    answered_by = {
        line.rsplit('"pid":', 1)[1] for line in log.splitlines() if '"route":"/v1/prescriptions"' in line
    }
    assert len(answered_by) == 2


def test_a_killed_worker_is_replaced_and_no_counter_falls(tmp_path: Path) -> None:
    """The other serves on meanwhile; what the dead one counted stays in the sums."""
    with fresh_database("sqlite") as url, replica(url, tmp_path, EFFORT_WORKERS="2") as one:
        wait_until(lambda: len(workers_of(one)) == 2, "two workers")
        for _ in range(40):
            assert httpx.get(f"{one.address}/v1/muscles").status_code == 200
        # A request is counted when its answer has been sent, so a moment after its client has it.
        counted = Counter({("GET", "200", "/v1/muscles"): 40})
        wait_until(lambda: requests_of(scrape(one.address)) == counted, "forty requests counted")
        before = scrape(one.address)
        victim, other = workers_of(one)
        os.kill(victim, signal.SIGKILL)
        wait_until(lambda: len({*workers_of(one)} - {victim}) == 2, "a new worker")
        wait_until(lambda: counted_workers(one.address) == 2, "two workers in the metrics")
        found = scrape(one.address)
        assert other in workers_of(one)
        assert found["http_server_active_requests",] == 1
        counters = {
            key
            for key in before
            if key[0].endswith(("_total", "_count", "_bucket")) and "process" not in key[0]
        }
        assert counters
        assert all(found[key] >= before[key] for key in counters)
        assert requests_of(found) == requests_of(before)
        for _ in range(10):
            assert httpx.get(f"{one.address}/v1/muscles").status_code == 200
        assert requests_of(scrape(one.address))["GET", "200", "/v1/muscles"] == 50
        assert one.stop() == 0


def counted_workers(address: str) -> int:
    """Return how many living workers the metrics tell of, 0 when nobody answers at the moment."""
    with contextlib.suppress(httpx.TransportError):
        return sum(1 for key in scrape(address) if key[0] == "process_resident_memory_bytes")
    return 0


def test_a_single_worker_that_is_killed_comes_back(tmp_path: Path) -> None:
    """Nobody has to restart the server, and its counters go on."""
    with fresh_database("sqlite") as url, replica(url, tmp_path) as one:
        for _ in range(5):
            httpx.get(f"{one.address}/v1/muscles")
        counted = Counter({("GET", "200", "/v1/muscles"): 5})
        wait_until(lambda: requests_of(scrape(one.address)) == counted, "five requests counted")
        os.kill(workers_of(one)[0], signal.SIGKILL)
        wait_until(lambda: counted_workers(one.address) == 1, "an answer of the new worker")
        assert requests_of(scrape(one.address)) == counted
        assert one.stop() == 0


def test_workers_end_when_their_server_was_killed(tmp_path: Path) -> None:
    """Else they would hold the port, and nobody could stop them; what it left in memory the next one clears away."""
    with fresh_database("sqlite") as url:
        with replica(url, tmp_path, EFFORT_WORKERS="2") as one:
            wait_until(lambda: len(workers_of(one)) == 2, "two workers")
            workers = workers_of(one)
            assert one.process is not None
            os.kill(one.process.pid, signal.SIGKILL)
            one.process.wait(30)
            wait_until(lambda: not any(map(lives, workers)), "both workers have ended")
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"{one.address}/health/live")
        one.start()
        wait_until(lambda: len(workers_of(one)) == 2, "two workers again")
        assert one.stop() == 0


def lives(pid: int) -> bool:
    """Whether a process is there and has not ended; an ended one may wait for whoever adopted it."""
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()[0] != "Z"
    return False
