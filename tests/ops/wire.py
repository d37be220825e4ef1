"""A wire between two programs that can fail: it passes bytes, holds them, is cut, or loses an answer.

Held, it still takes connections and never answers, as a network does that drops every packet.
"""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

T = TypeVar("T")
CHUNK_BYTES, DONE_WITHIN_SECONDS = 65536, 10


class Wire:
    """From a port of its own to `target` on this machine."""

    def __init__(self, target: int, run: Callable[[Coroutine[Any, Any, None]], None]) -> None:
        self._run = run
        self.target = target
        self.port = 0
        self._passing = asyncio.Event()
        self._passing.set()
        self._unheard: tuple[bytes, ...] = ()
        self._ends: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    def hold(self) -> None:
        """From now on nothing comes through, neither on open connections nor on new ones."""
        self._run(self._do(self._passing.clear))

    def release(self) -> None:
        """Let everything through again, what was held first."""
        self._run(self._do(self._passing.set))

    def cut(self) -> None:
        """Reset every open connection."""
        self._run(self._do(self._abort))

    def lose_answer_to(self, *words: bytes) -> None:
        """From now on who has sent all of `words`, one after another, is cut off from the answer. None: nobody is."""
        self._unheard = words

    @staticmethod
    async def _do(change: Callable[[], None]) -> None:
        change()

    def _abort(self) -> None:
        for writer in self._ends:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ends = {writer}
        self._ends.add(writer)
        try:
            await self._passing.wait()
            there, back = await asyncio.open_connection("127.0.0.1", self.target)
            ends.add(back)
            self._ends.add(back)
            said = 0

            def asked(chunk: bytes) -> None:
                nonlocal said
                while said < len(self._unheard) and self._unheard[said] in chunk:
                    said += 1

            def answered(_chunk: bytes) -> None:
                if self._unheard and said == len(self._unheard):
                    raise ConnectionResetError

            await asyncio.gather(self._pass(reader, back, asked), self._pass(there, writer, answered))
        except OSError:
            pass  # nobody there: the end of this connection
        finally:
            for end in ends:
                if not end.is_closing():
                    end.transport.abort()
            self._ends -= ends

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, seen: Callable[[bytes], None]
    ) -> None:
        try:
            while chunk := await reader.read(CHUNK_BYTES):
                await self._passing.wait()
                seen(chunk)
                writer.write(chunk)
                await writer.drain()
        except ConnectionError:
            pass
        finally:
            with contextlib.suppress(ConnectionError):
                writer.close()

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(self._serve(reader, writer))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def listen(self) -> None:
        """Take connections from now on, at `port`."""
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Take no more, and drop those there are."""
        self._server.close()
        self._abort()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await asyncio.sleep(0.05)  # transports say goodbye in the next turns of the loop


@contextmanager
def loop_beside() -> Iterator[Callable[[Coroutine[Any, Any, T]], T]]:
    """Yield what runs a coroutine, and what it starts, on a loop that works beside the test in a thread of its own."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield lambda work: asyncio.run_coroutine_threadsafe(work, loop).result(DONE_WITHIN_SECONDS)
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(DONE_WITHIN_SECONDS)
        loop.close()


@contextmanager
def wire_to(target: int) -> Iterator[Wire]:
    """Yield a wire to a port of this machine."""
    with loop_beside() as run:
        wire = Wire(target, run)
        run(wire.listen())
        try:
            yield wire
        finally:
            run(wire.close())
