"""JSON lines on standard error. Nothing of what callers send or the database holds is ever in one.

An exception is logged by its type and the places it passed, never by its text: drivers and conversions put values
there. For the same reason other libraries' messages are cut to their first line, without arguments.
"""

import logging
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import msgspec
from msgspec import UNSET, Struct, UnsetType

# On a pipe so much [bytes] is written in one piece; more could be torn by another worker's line. Source: pipe(7).
ONE_PIECE_BYTES = 4096
OURS = ("service", "_granian")
_MOST_CAUSES, _MOST_PLACES = 3, 12
WITHHELD, _TELLING_LETTERS = "withheld", 4
_ENCODE = msgspec.json.Encoder().encode


class RequestLine(Struct, frozen=True, kw_only=True):
    """One request. `route` is a template; `key` is the public id of the API key."""

    time: datetime
    level: str = "info"
    event: str = "request"
    method: str
    route: str | UnsetType = UNSET
    status: int
    problem: str | UnsetType = UNSET
    duration_seconds: float
    request_bytes: int | UnsetType = UNSET
    response_bytes: int
    request_id: str
    trace_id: str
    span_id: str
    parent_span_id: str | UnsetType = UNSET
    key: str | UnsetType = UNSET
    pid: int


def logged_request_id(request_id: str, path: str, template: str | None) -> str:
    """Return the id of a request, or `withheld` when its caller put an id of the address into it.

    `template` is that of the route; what `path` has besides may be a lifter. A short id stands in any text by chance.
    """
    told = request_id.casefold()
    ids = {part.casefold() for part in path.split("/")} - set((template or "").split("/"))
    return WITHHELD if any(len(part) >= _TELLING_LETTERS and part in told for part in ids) else request_id


def _chain(error: BaseException) -> Iterator[BaseException]:
    """Yield an error and what caused it, the error itself first."""
    found: BaseException | None = error
    while found is not None:
        yield found
        found = found.__cause__ or (None if found.__suppress_context__ else found.__context__)


def told_exception(error: BaseException) -> list[dict[str, Any]]:
    """Return an error and its causes: type, and the innermost places it passed, in the order of the calls."""
    told = []
    for each, _ in zip(_chain(error), range(_MOST_CAUSES), strict=False):
        places = traceback.extract_tb(each.__traceback__)[-_MOST_PLACES:]
        kind = type(each)
        told.append(
            {
                "type": f"{kind.__module__}.{kind.__qualname__}".removeprefix("builtins."),
                "at": [f"{place.filename}:{place.lineno} {place.name}" for place in places],
            }
        )
    return told


class JsonLines(logging.Formatter):
    """Turns a record into one line of JSON; members of `extra={"told": {...}}` come along."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        ours = record.name.partition(".")[0] in OURS
        line: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC),
            "level": record.levelname.lower(),
            "event": record.getMessage() if ours else str(record.msg).partition("\n")[0],
            "logger": record.name,
            **getattr(record, "told", {}),
            "pid": record.process,
        }
        if record.exc_info and record.exc_info[1] is not None:
            line["exception"] = told_exception(record.exc_info[1])
        return _ENCODE(line).decode()


def logging_configuration(level: str) -> dict[str, Any]:
    """Return what `logging.config.dictConfig` takes: our records from `level` on, others' warnings, as JSON lines."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"json": {"()": JsonLines}},
        "handlers": {
            "stderr": {"class": "logging.StreamHandler", "formatter": "json", "stream": "ext://sys.stderr"}
        },
        "root": {"handlers": ["stderr"], "level": "WARNING"},
        "loggers": {name: {"level": level.upper()} for name in OURS},
    }


def _write_to_stderr(lines: bytes) -> None:
    try:
        os.write(sys.stderr.fileno(), lines)
    except (OSError, ValueError):  # nobody reads it: no reason to fail a request
        return


class RequestLog:
    """Lines of requests, gathered and written some at a time: `flush` writes what waits."""

    def __init__(self, write: Callable[[bytes], None] = _write_to_stderr) -> None:
        self._write = write
        self._waiting: list[bytes] = []
        self._bytes = 0

    @property
    def waits(self) -> bool:
        """Whether there is something to write."""
        return bool(self._waiting)

    def add(self, line: RequestLine) -> None:
        """Take a line; write those before it when they fill a piece."""
        encoded = _ENCODE(line) + b"\n"
        if self._bytes + len(encoded) > ONE_PIECE_BYTES:
            self.flush()
        self._waiting.append(encoded)
        self._bytes += len(encoded)

    def flush(self) -> None:
        """Write every line that waits."""
        if self._waiting:
            self._write(b"".join(self._waiting))
            self._waiting.clear()
            self._bytes = 0
