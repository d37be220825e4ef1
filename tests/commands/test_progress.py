"""Bars are for people: on a terminal they move to the end, elsewhere nobody sees one."""

import contextlib
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.commands.terminal import ROOT
from tests.ports import free_port

SHOW = """
from service.cli.progress import progress
for total in (30, None):
    with progress("filling the gym", total) as advance:
        for _ in range(3):
            advance(10)
"""


def test_a_bar_is_shown_on_a_terminal_and_cleared() -> None:
    """What it is about, and how far it got; standard output stays for the answer."""
    leader, follower = pty.openpty()
    env = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80"}
    done = subprocess.run(
        [sys.executable, "-c", SHOW], stderr=follower, stdout=subprocess.PIPE, check=True, env=env
    )
    os.close(follower)
    shown = os.read(leader, 65536).decode()
    os.close(leader)
    assert "filling the gym" in shown
    assert "100%" in shown
    assert done.stdout == b""


def test_no_bar_is_written_into_a_file() -> None:
    """Nor into a pipe."""
    done = subprocess.run([sys.executable, "-c", SHOW], capture_output=True, check=True)
    assert (done.stdout, done.stderr) == (b"", b"")


def seen_of(*arguments: object, stop_at: bytes | None = None) -> bytes:
    """Return all that `effort` shows on a terminal; it is interrupted as by Ctrl-C once it has shown `stop_at`."""
    leader, follower = pty.openpty()
    command = [sys.executable, "-m", "service", *map(str, arguments)]
    environ = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "100", "NO_COLOR": "1"}
    shown = b""
    with subprocess.Popen(command, cwd=ROOT, stdout=follower, stderr=follower, env=environ) as process:
        os.close(follower)
        with contextlib.suppress(OSError):  # Linux says so when the other end is gone
            while part := os.read(leader, 65536):
                shown += part
                if stop_at is not None and stop_at in shown:
                    process.send_signal(signal.SIGINT)
    os.close(leader)
    assert stop_at or process.returncode == 0, shown
    return shown


@pytest.mark.parametrize("asked", [True, False])
def test_bulk_shows_a_bar_when_asked(tmp_path: Path, asked: bool) -> None:
    """It is a job for the night, whose terminal may be a log."""
    pq.write_table(pa.table({"rep_target": [8, 10, 12]}), tmp_path / "in.parquet")
    shown = seen_of("bulk", tmp_path / "in.parquet", tmp_path / "out", *(["--progress"] if asked else []))
    assert b"3 rows answered" in shown
    assert (b"parts" in shown, b"100%" in shown) == (asked, asked)


def test_the_demo_shows_a_bar_while_it_fills_its_gym() -> None:
    """Ten weeks of thirteen lifters take their time; then the bar makes room for the key."""
    shown = seen_of("demo", "--port", free_port(), stop_at=b"Serving on")
    assert -1 < shown.find(b"filling the gym") < shown.find(b"API key: ")
