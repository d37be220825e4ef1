"""Bars are for people: on a terminal they move to the end, elsewhere nobody sees one."""

import os
import pty
import subprocess
import sys

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
