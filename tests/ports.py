"""Ports for servers of tests."""

import random
from contextlib import closing, suppress
from socket import socket

# Below what systems hand to outgoing connections: those of a load test never take a port between being found and being
# listened on. Other processes of the same run draw their own.
SERVERS = range(18_000, 32_000)


def free_port() -> int:
    """Return a port nobody listens on."""
    draw = random.SystemRandom()
    while True:
        with closing(socket()) as probe, suppress(OSError):
            port = draw.choice(SERVERS)
            probe.bind(("127.0.0.1", port))
            return port
