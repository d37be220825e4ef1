"""The outermost limits: how many requests are worked on at once, and how long one may take.

A request counts while it is worked on, not while it waits for its caller (a body that trickles in, a reader that does
not read): slow callers take nobody else's place. Health and metrics are always answered.

Time runs until the answer begins, and anew for each part of a streamed one. Who runs out of it is cancelled: what was
not committed is rolled back, a commit under way is brought to its end (`service.storage.engine`) and told as it was.
"""

import asyncio
from collections.abc import Awaitable
from time import monotonic

from service.api.edge import ASGI, Message, Receive, Scope, Send, request_id_of, send_problem
from service.api.problems import RETRY_AFTER_SECONDS
from service.errors import BodyTooSlow, Overloaded, ServiceError, TookTooLong

NEVER_SHED = frozenset({"/health/live", "/health/ready", "/metrics"})


class _Load:
    """What one worker is working on, and when each request runs out of time."""

    def __init__(self, most_in_flight: int, request_seconds: float) -> None:
        self.most_in_flight = most_in_flight
        self.request_seconds = request_seconds
        self.working = 0
        # One timer for all: one for each would cost the fastest requests a tenth of their time. Everyone gets the
        # same time, so the first in line is the first to run out of it.
        self._due: dict[_InFlight, float] = {}
        self._timer: asyncio.TimerHandle | None = None
        self.loop: asyncio.AbstractEventLoop | None = None  # kept: asking for it is a system call each time

    def give_time(self, request: "_InFlight") -> None:
        """Put a request at the end of the line."""
        self._due.pop(request, None)
        self._due[request] = monotonic() + self.request_seconds
        if self._timer is None:
            self.loop = asyncio.get_running_loop()
            self._timer = self.loop.call_later(self.request_seconds, self._end_overdue)

    def end(self, request: "_InFlight") -> None:
        """Take a request out of the line."""
        self._due.pop(request, None)

    def _end_overdue(self) -> None:
        self._timer = None
        for request, due in list(self._due.items()):
            if (left := due - monotonic()) > 0:
                self._timer = asyncio.get_running_loop().call_later(left, self._end_overdue)
                return
            # Once only: cancelled while they clean up, the database drivers leave tasks behind that never end.
            del self._due[request]
            request.run_out()


class _InFlight:
    """One request: whether it waits for its caller, whether its answer has begun, whether its time ran out."""

    __slots__ = ("_cancelled", "_load", "_receive", "_send", "_task", "_waits", "begun", "ran_out", "reading")

    def __init__(self, load: _Load, receive: Receive, send: Send) -> None:
        self._load, self._receive, self._send = load, receive, send
        self._cancelled = 0
        self._waits = 0  # can be 2: a streamed answer listens for the caller to hang up while it is sent
        self.begun = self.ran_out = self.reading = False
        load.working += 1
        load.give_time(self)
        self._task = asyncio.current_task(load.loop)

    def run_out(self) -> None:
        """Cancel it."""
        self.ran_out = True
        if self._task is not None:
            self._cancelled += 1
            self._task.cancel()

    def end(self) -> None:
        """Give its place back, and undo the cancelling."""
        self._load.working -= 1
        self._load.end(self)
        for _ in range(self._cancelled if self._task else 0):
            self._task.uncancel()  # type: ignore[union-attr]  # there is one when it was cancelled

    async def receive(self) -> Message:
        """Return the next part of the body. Cancelled meanwhile it stays `reading`: that tells the cause."""
        self.reading = not self.begun
        self._wait()
        try:
            message = await self._receive()
        finally:
            self._go_on()
        self.reading = False
        return message

    def send(self, message: Message) -> Awaitable[None]:
        """Send a part of the answer."""
        self.begun = True
        return self._stream(message) if message.get("more_body") else self._send(message)

    async def _stream(self, message: Message) -> None:
        self._load.give_time(self)
        self._wait()
        try:
            await self._send(message)
        finally:
            self._go_on()

    def _wait(self) -> None:
        self._waits += 1
        if self._waits == 1:
            self._load.working -= 1

    def _go_on(self) -> None:
        self._waits -= 1
        if not self._waits:
            self._load.working += 1


async def _refuse(error: ServiceError, scope: Scope, send: Send) -> None:
    if isinstance(error, BodyTooSlow):
        more = (b"connection", b"close")  # RFC 9110: the rest of the body is not waited for
    else:
        more = (b"retry-after", str(RETRY_AFTER_SECONDS).encode())
    await send_problem(error, scope, send, request_id_of(scope), more)


def with_shedding(app: ASGI, *, most_in_flight: int, request_seconds: float) -> ASGI:
    """Return `app` with these limits around it: requests at once, seconds until an answer begins."""
    load = _Load(most_in_flight, request_seconds)

    async def shed(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        if load.working >= most_in_flight and scope["path"] not in NEVER_SHED:
            await _refuse(Overloaded("too many requests at once; try again shortly"), scope, send)
            return
        request = _InFlight(load, receive, send)
        try:
            await app(scope, request.receive, request.send)
        except asyncio.CancelledError:
            if not request.ran_out:
                raise
        finally:
            request.end()
        if request.ran_out and not request.begun:
            within = f"within {request_seconds:g} s"
            late = BodyTooSlow(f"the body did not arrive {within}") if request.reading else None
            await _refuse(late or TookTooLong(f"no answer could be given {within}"), scope, send)

    return shed
