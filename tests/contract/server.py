"""A real server process for tests that speak HTTP over a socket."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from socket import socket

from tests.ports import free_port

ROOT = Path(__file__).parents[2]
TRIES, PAUSE_SECONDS = 600, 0.05


def wait_for(port: int) -> None:
    """Wait until somebody listens on the port."""
    for _ in range(TRIES):
        with closing(socket()) as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(PAUSE_SECONDS)
    raise AssertionError(f"nothing listens on port {port}")


@contextmanager
def server(url: str) -> Iterator[str]:
    """Yield the address of a server on the database at `url`; it must stop by itself when asked, with exit 0."""
    port = free_port()
    environ = {**os.environ, "EFFORT_DATABASE_URL": url, "EFFORT_PORT": str(port), "EFFORT_HOST": "127.0.0.1"}
    environ["EFFORT_RATE_LIMIT_PER_MINUTE"] = "10000000"  # a generator of requests is no caller to slow down
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "serve"], cwd=ROOT, env=environ, stderr=subprocess.DEVNULL
    )
    try:
        wait_for(port)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        code = process.wait(30)
    assert code == 0
