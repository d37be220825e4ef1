"""Numbers of several workers: seen by all, kept when one dies, never in anybody's way."""

import multiprocessing
import os
import signal
from pathlib import Path

import pytest

from service.observability import cells
from service.observability.cells import Cells
from service.observability.exposition import exposition
from service.observability.folders import PREFIX, workers_folder
from service.observability.metrics import Metrics

REQUEST = ("GET", "/v1/muscles", 200)
COUNT = (
    'http_server_request_duration_seconds_count{http_request_method="GET",http_route="/v1/muscles",'
    'http_response_status_code="200"}'
)


def value(worker: Metrics, name: str) -> str:
    """Return what the text says for a series, as one worker tells it."""
    lines = exposition(worker.of_all_workers(), {}).decode().splitlines()
    return next(line.removeprefix(f"{name} ") for line in lines if line.startswith(f"{name} "))


def die_with_requests_in_flight(folder: Path) -> None:
    """Count five requests, begin three more, and end as a crash does."""
    worker = Metrics(Cells(folder))
    for _ in range(5):
        worker.begin()
        worker.end(*REQUEST, 0.001)
    for _ in range(3):
        worker.begin()
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.fixture
def bereft(tmp_path: Path) -> Path:
    """A folder whose only worker was killed."""
    process = multiprocessing.get_context("spawn").Process(
        target=die_with_requests_in_flight, args=(tmp_path,)
    )
    process.start()
    process.join(60)
    assert process.exitcode == -signal.SIGKILL
    return tmp_path


def test_each_worker_tells_the_sum_of_all(tmp_path: Path) -> None:
    """Whichever is asked, also of what was counted a moment ago."""
    one, other = Metrics(Cells(tmp_path)), Metrics(Cells(tmp_path))
    for worker, requests in ((one, 3), (other, 4)):
        for _ in range(requests):
            worker.begin()
            worker.end(*REQUEST, 0.001)
    one.begin()
    for worker in (one, other):
        assert value(worker, COUNT) == "7"
        assert value(worker, "http_server_active_requests") == "1"


def test_what_a_killed_worker_counted_is_kept_and_its_requests_in_flight_are_not(bereft: Path) -> None:
    """Its successor goes on in the same file."""
    successor = Metrics(Cells(bereft))
    assert value(successor, COUNT) == "5"
    assert value(successor, "http_server_active_requests") == "0"
    successor.begin()
    successor.end(*REQUEST, 0.001)
    assert value(successor, COUNT) == "6"
    assert [path.name for path in bereft.iterdir()] == ["worker-0"]


def test_a_dead_workers_gauges_do_not_count_for_the_others(tmp_path: Path) -> None:
    """While nobody has taken its file over: a worker in the second file looks at the first."""
    first = Metrics(Cells(tmp_path))
    second = Metrics(Cells(tmp_path))
    first.begin()
    assert value(second, "http_server_active_requests") == "1"
    del first
    assert value(second, "http_server_active_requests") == "0"


def test_numbers_that_find_no_room_are_lost_and_nobody_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was counted before stays right."""
    monkeypatch.setattr(cells, "SIZE_BYTES", 4096)
    worker = Metrics(Cells())
    worker.end(*REQUEST, 0.001)
    for status in range(600):
        worker.end("GET", "/v1/exercises", status, 0.001)
        worker.problem(f"problem-{status}")
    worker.end(*REQUEST, 0.001)
    assert value(worker, COUNT) == "2"


def test_a_file_of_another_layout_is_left_out(tmp_path: Path) -> None:
    """A release with other buckets may have counted in the file before."""
    before = Cells(tmp_path)
    before.numbers[before.place(COUNT.replace("_count", ""), 3)] = 9
    del before
    worker = Metrics(Cells(tmp_path))
    assert COUNT not in exposition(worker.of_all_workers(), {}).decode()


def test_the_folder_of_a_killed_server_is_cleared_away_by_the_next(tmp_path: Path) -> None:
    """A living server's is not, nor is what is not ours."""
    left = tmp_path / f"{PREFIX}left"
    left.mkdir()
    (left / "server").touch()
    (tmp_path / "other").mkdir()
    with workers_folder(tmp_path) as living:
        assert living is not None
        with workers_folder(tmp_path) as second:
            assert second is not None
            assert {path.name for path in tmp_path.iterdir()} == {living.name, second.name, "other"}
            assert second.stat().st_mode & 0o077 == 0
    assert [path.name for path in tmp_path.iterdir()] == ["other"]
