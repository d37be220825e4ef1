"""A small balancer for machines without HAProxy: deals out, watches health, and sends again what may be sent twice."""

import asyncio
import contextlib
import itertools
from collections.abc import Iterator
from contextlib import contextmanager

from tests.ops.wire import loop_beside

CHECKED_EVERY_SECONDS, CHECK_SECONDS = 0.2, 2.0
STATELESS = (b"/v1/prescriptions", b"/v1/estimates/", b"/v1/plan-prescriptions")
GONE = b"HTTP/1.1 502 Bad Gateway\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"


async def _ask(port: int, request: bytes) -> bytes:
    """Return the whole answer of a replica, empty when there is none."""
    answer = b""
    with contextlib.suppress(OSError):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        with contextlib.closing(writer):
            writer.write(request)
            while part := await reader.read(65536):
                answer += part
    return answer


async def _read(reader: asyncio.StreamReader) -> bytes:
    """Return a whole request, which asks for the connection to be closed afterwards."""
    head = await reader.readuntil(b"\r\n\r\n")
    lines = [line for line in head.split(b"\r\n") if line and not line.lower().startswith(b"connection:")]
    length = next((int(line[15:]) for line in lines if line.lower().startswith(b"content-length:")), 0)
    return b"\r\n".join([*lines, b"connection: close", b"", b""]) + await reader.readexactly(length)


def _may_be_sent_twice(request: bytes) -> bool:
    method, path, _ = request.split(b" ", 2)
    head = request.partition(b"\r\n\r\n")[0].lower()
    return (
        method == b"GET"
        or path.endswith(b"prescriptions")
        or path.startswith(STATELESS)
        or (path.endswith(b"/sets") and b"idempotency-key:" in head)
    )


class StandIn:
    """Deals out requests to the replicas at `ports`."""

    def __init__(self, ports: list[int], *, careful: bool) -> None:
        self._ports, self._careful = ports, careful
        self._up = set(ports)
        self._turns = itertools.count()
        self._tasks: set[asyncio.Task[None]] = set()

    async def listen(self) -> int:
        """Take connections from now on; the port."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        if self._careful:
            self._tasks = {asyncio.create_task(self._watch(port)) for port in self._ports}
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def close(self) -> None:
        """Take no more."""
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _watch(self, port: int) -> None:
        check = b"GET /health/ready HTTP/1.1\r\nhost: replica\r\nconnection: close\r\n\r\n"
        while True:
            answer = b""
            with contextlib.suppress(TimeoutError):
                answer = await asyncio.wait_for(_ask(port, check), CHECK_SECONDS)
            (self._up.add if answer.startswith(b"HTTP/1.1 200") else self._up.discard)(port)
            await asyncio.sleep(CHECKED_EVERY_SECONDS)

    def _in_turn(self) -> list[int]:
        turn = next(self._turns) % len(self._ports)
        dealt = [*self._ports[turn:], *self._ports[:turn]]
        return sorted(dealt, key=lambda port: port not in self._up)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError), contextlib.closing(writer):
            request = await _read(reader)
            again = self._careful and _may_be_sent_twice(request)
            answer = b""
            for port in self._in_turn()[: None if again else 1]:
                if answer := await _ask(port, request):
                    break
            writer.write(answer or GONE)
            await writer.drain()


@contextmanager
def stand_in(ports: list[int], *, careful: bool = True) -> Iterator[int]:
    """Yield the port of a stand-in in front of the replicas at `ports`."""
    with loop_beside() as run:
        one = StandIn(ports, careful=careful)
        port = run(one.listen())
        try:
            yield port
        finally:
            run(one.close())
