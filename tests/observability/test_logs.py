"""Lines of the log: JSON, one each, and nothing in them that was sent or stored."""

import asyncio
import json
import logging
from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from service.observability.logs import (
    ONE_PIECE_BYTES,
    WITHHELD,
    JsonLines,
    RequestLine,
    RequestLog,
    logged_request_id,
)

SENT = "lark-4 slept badly"


def line_of(name: str, message: str, *arguments: Any, error: BaseException | None = None) -> dict[str, Any]:
    """Return the line a record becomes."""
    info = None if error is None else (type(error), error, error.__traceback__)
    record = logging.LogRecord(name, logging.ERROR, "somewhere.py", 7, message, arguments, info)
    text = JsonLines().format(record)
    assert "\n" not in text
    read: dict[str, Any] = json.loads(text)
    return read


def failing() -> None:
    """Fail with what was sent in the text, and in the text of the cause."""
    try:
        {}[SENT]
    except KeyError as error:
        raise ValueError(f"cannot use {SENT!r}") from error


def test_an_exception_is_told_by_type_and_place_never_by_its_text() -> None:
    """Its cause as well."""
    with pytest.raises(ValueError, match="lark-4") as caught:
        failing()
    line = line_of("service.api", "request %s failed", "gym-7", error=caught.value)
    assert line["event"] == "request gym-7 failed"
    assert [told["type"] for told in line["exception"]] == ["ValueError", "KeyError"]
    assert all(told["at"][-1].endswith(" failing") for told in line["exception"])
    assert "lark-4" not in json.dumps(line)


async def forget() -> None:
    """Start a task that fails, and never ask how it went."""
    task = asyncio.create_task(asyncio.to_thread(failing))
    await asyncio.wait({task})


def test_what_other_libraries_say_is_cut_to_its_first_line_without_arguments() -> None:
    """A forgotten task of asyncio tells the exception's text in the second; a driver may in an argument."""
    seen: list[logging.LogRecord] = []
    handler = logging.Handler()
    handler.emit = seen.append  # type: ignore[method-assign]
    logging.getLogger("asyncio").addHandler(handler)
    try:
        asyncio.run(forget())
    finally:
        logging.getLogger("asyncio").removeHandler(handler)
    (record,) = seen
    assert "lark-4" in record.getMessage()
    assert "lark-4" not in JsonLines().format(record)
    assert line_of("sqlalchemy.pool", "lost %r", SENT)["event"] == "lost %r"


def test_lines_of_requests_are_written_in_pieces_that_a_pipe_keeps_whole() -> None:
    """Each piece ends with a line; none is longer than one write may be; nothing is lost."""
    pieces: list[bytes] = []
    log = RequestLog(pieces.append)
    line = RequestLine(
        time=datetime(2026, 11, 25, tzinfo=UTC),
        method="GET",
        status=200,
        duration_seconds=0.001,
        response_bytes=2,
        request_id="r",
        trace_id="4" * 32,
        span_id="2" * 16,
        pid=1,
    )
    for number in range(100):
        log.add(msgspec.structs.replace(line, request_id=str(number)))
    log.flush()
    assert max(map(len, pieces)) <= ONE_PIECE_BYTES
    assert all(piece.endswith(b"\n") for piece in pieces)
    assert len(pieces) < 20
    told = [json.loads(each) for each in b"".join(pieces).splitlines()]
    assert [each["request_id"] for each in told] == [str(number) for number in range(100)]
    log.flush()
    assert len(b"".join(pieces).splitlines()) == 100


@pytest.mark.parametrize(
    ("request_id", "path", "template", "logged"),
    [
        ("LARK-4.7", "/v1/lifters/lark-4/sets", "/v1/lifters/{lifter_id}/sets", WITHHELD),
        ("for-sets", "/v1/lifters/lark-4/sets", "/v1/lifters/{lifter_id}/sets", "for-sets"),
        ("call-a1", "/v1/lifters/a1/sets", "/v1/lifters/{lifter_id}/sets", "call-a1"),
        ("lark-4.7", "/v1/lifter/lark-4", None, WITHHELD),
        ("7", "/", None, "7"),
    ],
)
def test_a_request_id_that_names_the_lifter_is_withheld(
    request_id: str, path: str, template: str | None, logged: str
) -> None:
    """Whatever is in the address and not in the template; short ids stand in any text by chance."""
    assert logged_request_id(request_id, path, template) == logged
