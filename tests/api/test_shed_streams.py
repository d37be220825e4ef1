"""Time and places of streamed answers, and what the outermost limits leave alone."""

import asyncio
import time

import pytest

from service.api.edge import ASGI, Message, Receive, Scope, Send
from service.api.shedding import with_shedding

PARTS, PAUSE_SECONDS = 12, 0.4
SECONDS = 1.6


def scope(path: str = "/v1/stream") -> Scope:
    """Return what a server tells of a request."""
    return {"type": "http", "method": "GET", "path": path, "headers": [], "effort_request_id": "r"}


async def silent() -> Message:
    """A caller who sends nothing more and stays."""
    await asyncio.Event().wait()
    raise AssertionError


class Caller:
    """What one caller was sent. Reads each part in so many seconds; None: stops after the first."""

    def __init__(self, reads_in_seconds: float | None = 0.0) -> None:
        self.sent: list[Message] = []
        self._seconds = reads_in_seconds

    async def send(self, message: Message) -> None:
        """Take a part."""
        self.sent.append(message)
        if self._seconds is None and len(self.sent) > 1:
            await asyncio.Event().wait()
        await asyncio.sleep(self._seconds or 0)

    @property
    def status(self) -> int:
        """The status that was sent."""
        status: int = self.sent[0]["status"]
        return status

    @property
    def is_whole(self) -> bool:
        """Whether the last part came."""
        return self.sent[-1].get("more_body") is False


async def stream(_scope: Scope, receive: Receive, send: Send) -> None:
    """Send parts while listening for the caller to hang up, as streamed answers do."""
    hung_up = asyncio.ensure_future(receive())
    try:
        await asyncio.sleep(0)
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for part in range(PARTS):
            await send({"type": "http.response.body", "body": b"x", "more_body": part < PARTS - 1})
    finally:
        hung_up.cancel()


def limited(app: ASGI, most_in_flight: int = 1) -> ASGI:
    """Return an application in tight limits."""
    return with_shedding(app, most_in_flight=most_in_flight, request_seconds=SECONDS)


async def test_a_long_answer_is_whole_as_long_as_every_part_gets_through() -> None:
    """In all it takes three times the time a request has, each part a quarter of it."""
    caller, began = Caller(PAUSE_SECONDS), time.monotonic()
    await limited(stream)(scope(), silent, caller.send)
    assert time.monotonic() - began > 2 * SECONDS
    assert caller.is_whole


async def test_who_stops_reading_is_cut_off() -> None:
    """No end line, no second answer behind the first: a part never passes for the whole."""
    caller, began = Caller(None), time.monotonic()
    await limited(stream)(scope(), silent, caller.send)
    assert time.monotonic() - began < 4 * SECONDS
    assert not caller.is_whole
    assert [message["type"] for message in caller.sent].count("http.response.start") == 1


async def test_those_who_read_slowly_take_nobodys_place() -> None:
    """Ten streams at once where one request is worked on at a time; each is served."""
    app, callers = limited(stream), [Caller(PAUSE_SECONDS / 2) for _ in range(10)]
    reading = []
    for caller in callers:
        reading.append(asyncio.ensure_future(app(scope(), silent, caller.send)))
        await asyncio.sleep(0.01)
    await asyncio.gather(*reading)
    assert [(caller.status, caller.is_whole) for caller in callers] == [(200, True)] * 10


async def hang(_scope: Scope, _receive: Receive, _send: Send) -> None:
    """Never answer."""
    await asyncio.Event().wait()


async def fail(_scope: Scope, _receive: Receive, _send: Send) -> None:
    """Raise what nobody expected."""
    raise ZeroDivisionError


async def hang_up(_scope: Scope, receive: Receive, send: Send) -> None:
    """Answer a caller who is gone."""
    await receive()
    await send({"type": "http.response.start", "status": 400, "headers": []})
    raise ConnectionResetError


@pytest.mark.parametrize(("app", "raised"), [(hang, None), (fail, ZeroDivisionError), (hang_up, OSError)])
async def test_every_end_gives_the_place_back(app: ASGI, raised: type[Exception] | None) -> None:
    """Run out of time, failed, hung up: the one place there is is free afterwards."""

    async def disconnected() -> Message:
        return {"type": "http.disconnect"}

    async def either(its_scope: Scope, receive: Receive, send: Send) -> None:
        await (app if its_scope["path"] == "/bad" else stream)(its_scope, receive, send)

    both = limited(either)
    for _ in range(3):
        bad = both(scope("/bad"), disconnected, Caller().send)
        if raised is None:
            await bad
        else:
            with pytest.raises(raised):
                await bad
    good = Caller()
    await both(scope(), silent, good.send)
    assert good.status == 200


async def test_a_place_is_taken_by_who_is_worked_on_and_by_nobody_else() -> None:
    """Health, readiness and metrics are let through, also when all places are taken."""
    app, first = limited(hang), Caller()
    taking = asyncio.ensure_future(app(scope(), silent, first.send))
    await asyncio.sleep(0)
    second, health = Caller(), Caller()
    await app(scope(), silent, second.send)
    assert second.status == 503
    await app(scope("/health/live"), silent, health.send)
    await taking
    told = [caller.sent[1]["body"].decode() for caller in (first, second, health)]
    assert ["took-too-long" in told[0], "overloaded" in told[1], "took-too-long" in told[2]] == [True] * 3


async def test_a_server_that_stops_may_cancel_whom_it_likes() -> None:
    """Only what ran out of time is answered; another's cancelling goes through."""
    caller = Caller()
    task = asyncio.ensure_future(limited(hang)(scope(), silent, caller.send))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert caller.sent == []


async def test_who_ran_out_of_time_leaves_no_cancelling_behind() -> None:
    """The task that served it can go on, and be timed, as any other."""
    current = asyncio.current_task()
    assert current is not None
    await limited(hang)(scope(), silent, Caller().send)
    assert current.cancelling() == 0
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.01):
            await asyncio.Event().wait()


async def test_the_line_is_kept_in_order() -> None:
    """Requests that begin one after another end one after another, each in its own time."""
    app, ends = limited(hang, 10), []

    async def one(later_seconds: float) -> None:
        await asyncio.sleep(later_seconds)
        began = time.monotonic()
        await app(scope(), silent, Caller().send)
        ends.append((later_seconds, time.monotonic() - began))

    await asyncio.gather(*(one(pause) for pause in (0.0, 0.1, 0.3, 0.4)))
    assert [pause for pause, _ in ends] == [0.0, 0.1, 0.3, 0.4]
    assert all(SECONDS <= took < 5 * SECONDS for _, took in ends), ends
