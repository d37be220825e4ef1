"""`effort serve` as a process that can be killed and started again on the same port."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from tests.contract.server import ROOT
from tests.ports import free_port

STARTED_WITHIN_SECONDS = 60
GONE_WITHIN_SECONDS = 5
PAUSE_SECONDS = 0.05


@dataclass
class Replica:
    """One replica: its address, its settings, and what it said on standard error."""

    environ: dict[str, str]
    log: Path
    port: int = field(default_factory=free_port)
    code: Path = ROOT
    process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it, and return once it answers."""
        self.launch()
        self.wait()

    def launch(self) -> None:
        """Start it, and return at once."""
        environ = os.environ | {"EFFORT_HOST": "127.0.0.1", "EFFORT_PORT": str(self.port)} | self.environ
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "service", "serve"],
                cwd=self.code,
                env=environ,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def wait(self) -> None:
        """Return once it answers. Raises AssertionError when it ends or takes too long."""
        give_up = time.monotonic() + STARTED_WITHIN_SECONDS
        while time.monotonic() < give_up:
            with contextlib.suppress(httpx.TransportError):
                if httpx.get(f"{self.address}/health/live", timeout=1).status_code == httpx.codes.OK:
                    return
            assert self.process is not None
            assert self.process.poll() is None, self.log.read_text("utf-8")[-2000:]
            time.sleep(PAUSE_SECONDS)
        raise AssertionError(
            f"no answer within {STARTED_WITHIN_SECONDS} s: {self.log.read_text('utf-8')[-2000:]}"
        )

    def signal(self, number: int) -> None:
        """Send a signal to the server and its workers."""
        assert self.process is not None
        os.killpg(self.process.pid, number)

    def kill(self) -> None:
        """End it as a crash of its machine would: no handler runs, nothing is flushed."""
        assert self.process is not None
        self.signal(signal.SIGKILL)
        self.process.wait(30)
        give_up = time.monotonic() + GONE_WITHIN_SECONDS
        with contextlib.suppress(ProcessLookupError):
            while time.monotonic() < give_up:  # workers are gone a little later than their parent
                os.killpg(self.process.pid, 0)
                time.sleep(PAUSE_SECONDS)

    def stop(self) -> int:
        """Ask it to stop; its exit code. Harmless when it is gone."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.terminate()
        return self.process.wait(30)

    def pids(self) -> list[int]:
        """Return the ids of the server and its workers."""
        assert self.process is not None
        return [self.process.pid, *children_of(self.process.pid)]


def children_of(pid: int) -> list[int]:
    """Return the ids of the processes whose parent is `pid`."""
    return [child for child, parent in _parents() if parent == pid]


def _parents() -> Iterator[tuple[int, int]]:
    """Yield each process and its parent; images without `ps` have /proc, and the reverse."""
    if not Path("/proc/self/stat").exists():
        command = ["ps", "-A", "-o", "pid=", "-o", "ppid="]
        listed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        for line in listed.splitlines():
            child, parent = line.split()
            yield int(child), int(parent)
        return
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # it has ended meanwhile
            # The name, in parentheses, may hold anything; the parent is the second word after it.
            yield int(stat.parent.name), int(stat.read_text("utf-8").rpartition(")")[2].split()[1])


@contextmanager
def replica(url: str, folder: Path, *, code: Path = ROOT, **environ: str) -> Iterator[Replica]:
    """Yield a running replica on the database at `url`; killed at the end if it is still there.

    It runs the service in the tree `code`, and logs into `folder`.
    """
    with launched(url, folder, code=code, **environ) as one:
        one.wait()
        yield one


@contextmanager
def launched(url: str, folder: Path, *, code: Path = ROOT, **environ: str) -> Iterator[Replica]:
    """Yield a replica that was only just started."""
    log = folder / f"replica-{free_port()}.log"
    one = Replica({"EFFORT_DATABASE_URL": url, "PYTHONPATH": str(code), **environ}, log, code=code)
    one.launch()
    try:
        yield one
    finally:
        if one.process is not None and one.process.poll() is None:
            one.kill()
