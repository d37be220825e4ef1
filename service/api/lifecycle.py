"""What a worker does besides answering: it heeds SIGTERM, and ends when its server is gone.

SIGTERM makes it not ready at once, while it serves on for EFFORT_DRAIN_SECONDS, so that whoever balances load can turn
to others; then the server stops taking connections, finishes what has begun, and ends. Every worker heeds it by itself:
some supervisors signal the parent only, others all processes. SIGINT skips the wait.
"""

import asyncio
import contextlib
import os
import signal
from collections.abc import Callable

from service.api.edge import ASGI, Receive, Scope, Send
from service.api.readiness import Readiness

BEAT_SECONDS = 1.0


class _Life:
    """One worker, from its first moment on."""

    def __init__(
        self, readiness: Readiness, drain_seconds: float, server: int, beat: Callable[[], None]
    ) -> None:
        self._readiness = readiness
        self._drain_seconds = drain_seconds
        self._server = server
        self._beat = beat

    def drain(self) -> None:
        """Begin to end; told twice, the first time counts."""
        if self._readiness.draining:
            return
        self._readiness.draining = True
        asyncio.get_running_loop().call_later(self._drain_seconds, self._end)

    def _end(self) -> None:
        """Tell the server, again and again: once it has started it hears, and what has begun is finished.

        It heeds SIGINT as it would have heeded SIGTERM.
        """
        asyncio.get_running_loop().call_later(BEAT_SECONDS, self._end)
        signal.raise_signal(signal.SIGINT)

    async def go_on(self) -> None:
        """Do once a second what has to be done; looks at the database first, so that the log says how it stands."""
        await self._readiness.faults()
        while True:
            self._beat()
            if self._server and os.getppid() != self._server:
                self.drain()  # nobody is left to stop this worker, and it holds the port
            await asyncio.sleep(BEAT_SECONDS)


def with_lifecycle(
    app: ASGI, readiness: Readiness, *, drain_seconds: float, server: int, beat: Callable[[], None]
) -> ASGI:
    """Return `app` as a worker of a server; `beat` is called once a second.

    `server` is the id of the process that started the worker and without which it ends, 0 when there is none.
    """

    async def living(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "lifespan":
            await app(scope, receive, send)
            return
        life = _Life(readiness, drain_seconds, server, beat)
        loop = asyncio.get_running_loop()
        with contextlib.suppress(NotImplementedError):  # Windows: the server's own way holds
            loop.add_signal_handler(signal.SIGTERM, life.drain)
        going_on = asyncio.create_task(life.go_on())
        try:
            await app(scope, receive, send)
        finally:
            going_on.cancel()
            await asyncio.wait({going_on})

    return living
