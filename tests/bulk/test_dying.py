"""Runs that are killed go on where they were, on one machine and on a cluster; memory does not grow with the file."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from service.bulk import sources
from service.bulk.file_work import file_work
from service.bulk.parts import done_units
from service.bulk.work import run
from tests.bulk.files import contents, many_rows, some_rows

UNIT_ROWS = 4_000
UNITS = 24
ROWS = UNITS * UNIT_ROWS
# the command in units so small that there is something to interrupt
SMALL = f"""
from service.bulk import sources
sources.UNIT_ROWS = {UNIT_ROWS}
from service.cli import main
main()
"""
PEAK = """
import sys
from service.cli import effort
try:
    effort(sys.argv[1:])
except SystemExit as ended:
    assert not ended.code
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""
PATIENCE_SECONDS = 60


def start(source: Path, out: Path, *options: str) -> "subprocess.Popen[bytes]":
    """Start the command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", SMALL, "bulk", str(source), str(out), *options],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )


def wait_for(true: Callable[[], bool], process: "subprocess.Popen[bytes]") -> None:
    """Wait until something is true while the process runs."""
    begun = time.monotonic()
    while not true():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() - begun < PATIENCE_SECONDS
        time.sleep(0.002)


def whole(source: Path, out: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, bytes]:
    """Do the work in this process without interruption, and return what it wrote."""
    monkeypatch.setattr(sources, "UNIT_ROWS", UNIT_ROWS)
    work = file_work(source, policy=None, keep=(), texts=False, form=None)
    run(work, out, advance=lambda _: None)
    return contents(out)


def with_bad_rows(path: Path) -> None:
    """Write many rows, each 997th of them no context."""
    table = many_rows(ROWS)
    reps = table.column("rep_target").to_numpy().copy()
    reps[::997] = 0
    table = table.set_column(1, "rep_target", pa.array(reps))
    pq.write_table(table, path, row_group_size=UNIT_ROWS)


def test_a_run_that_is_killed_loses_no_row_and_doubles_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGKILL in the middle, then the same command: afterwards every file is what it is without, byte for byte."""
    source, out = tmp_path / "in.parquet", tmp_path / "out"
    with_bad_rows(source)
    process = start(source, out)
    wait_for(lambda: len(list((out / "_done").glob("*.json"))) > UNITS / 3, process)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert 0 < len(done_units(out)) < UNITS
    process = start(source, out, "--json")
    told, error = process.communicate(timeout=PATIENCE_SECONDS)
    assert process.returncode == 1, error
    summary = json.loads(told)
    assert summary["answered"] + summary["refused"] == ROWS
    assert 0 < summary["here"] < ROWS
    assert whole(source, tmp_path / "whole", monkeypatch) == contents(out)
    assert not list(out.rglob("*.unfinished"))


def test_what_was_written_but_not_noted_is_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Power cut between part and note, or in the middle of a part: the unit is done again, in the same place."""
    source, out = tmp_path / "in.parquet", tmp_path / "out"
    pq.write_table(some_rows(600), source, row_group_size=100)
    monkeypatch.setattr(sources, "UNIT_ROWS", 100)
    work = file_work(source, policy=None, keep=(), texts=False, form=None)
    before = run(work, out, advance=lambda _: None)
    expected = contents(out)
    (out / "_done" / "00002.json").unlink()
    (out / "part-00004.parquet").unlink()
    (out / "part-00002.parquet.0123.unfinished").write_bytes(b"half")
    again = run(work, out, advance=lambda _: None)
    assert (again.answered, again.refused, again.here) == (before.answered, before.refused, 200)
    assert expected == contents(out)


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """A row group ten times as large, of random numbers no encoding makes small, takes hardly more memory."""
    random = np.random.default_rng(1)
    peak_mib = []
    for rows in (150_000, 1_500_000):
        columns = {"rep_target": pa.array(random.integers(1, 31, rows).astype(np.int8))}
        columns |= {f"carried_{number}": pa.array(random.random(rows)) for number in range(8)}
        source = tmp_path / f"{rows}.parquet"
        pq.write_table(pa.table(columns), source, row_group_size=rows, use_dictionary=False)
        command = [sys.executable, "-c", PEAK, "bulk", str(source), str(tmp_path / str(rows))]
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_SECONDS, check=True)
        peak_mib.append(int(done.stdout) / 1024)
    more_bytes = (1_500_000 - 150_000) * 65
    assert peak_mib[1] - peak_mib[0] < 0.4 * more_bytes / 2**20


@asynccontextmanager
async def cluster(folder: Path) -> AsyncIterator[tuple[str, list[int]]]:
    """A scheduler and two workers in processes of their own: its address, and the workers' process ids."""
    import distributed  # noqa: PLC0415 - half a second, for these tests only

    async with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        asynchronous=True,
        local_directory=str(folder),
        silence_logs=50,
    ) as made:
        nannies = list(made.workers.values())
        yield made.scheduler_address, [nanny.pid for nanny in nannies]


@pytest.mark.filterwarnings("ignore")  # a worker that is killed is complained about in many ways
async def test_a_cluster_of_which_a_worker_dies_gives_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two workers, one killed while it works: every file is what one process alone writes."""
    source, out = tmp_path / "in.parquet", tmp_path / "out"
    with_bad_rows(source)
    async with cluster(tmp_path / "workers") as (address, pids):
        process = await asyncio.to_thread(start, source, out, "--scheduler", address)
        await asyncio.to_thread(wait_for, lambda: len(done_units(out)) > 3, process)
        os.kill(pids[0], signal.SIGKILL)
        left = UNITS - len(done_units(out))
        _, error = await asyncio.to_thread(process.communicate, timeout=PATIENCE_SECONDS)
    assert left > 0
    assert process.returncode == 1, error
    assert not psutil.pid_exists(pids[0]) or psutil.Process(pids[0]).status() == psutil.STATUS_ZOMBIE
    assert await asyncio.to_thread(whole, source, tmp_path / "whole", monkeypatch) == contents(out)


def test_a_scheduler_that_is_not_there_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not a stack of calls: the address, and that nothing answers there."""
    from service.bulk import cluster as room  # noqa: PLC0415 - half a second, for these tests only
    from service.errors import InputRefused  # noqa: PLC0415 - beside it

    pq.write_table(some_rows(10), tmp_path / "in.parquet")
    work = file_work(tmp_path / "in.parquet", policy=None, keep=(), texts=False, form=None)
    monkeypatch.setattr(room, "PATIENCE_SECONDS", 1)
    with pytest.raises(InputRefused, match=r"tcp://127\.0\.0\.1:9: no scheduler answers there"):
        run(work, tmp_path / "out", doing=room.OnCluster("tcp://127.0.0.1:9"), advance=lambda _: None)


@pytest.mark.parametrize("address", ["nonsense", "tcp://host", "carrier-pigeon://host:8786"])
def test_what_is_no_address_of_a_scheduler_is_told_at_once(address: str, tmp_path: Path) -> None:
    """No client is made of it: one that cannot be finished holds the process for twice its patience."""
    pq.write_table(some_rows(10), tmp_path / "in.parquet")
    process = start(tmp_path / "in.parquet", tmp_path / "out", "--scheduler", address)
    try:
        _, told = process.communicate(timeout=15)
    finally:
        process.kill()
    assert process.returncode == 2
    assert told.decode().startswith(f"effort: {address}: is no address such as tcp://10.0.0.1:8786: ")
    assert told.count(b"\n") == 1
