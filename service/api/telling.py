"""What is told of a request that is over: a line in the log, a span. Addresses, queries and bodies never are."""

import asyncio
import os
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

from msgspec import UNSET, Struct, UnsetType

from service import __version__
from service.api.edge import Scope
from service.errors import SettingsInvalid
from service.observability.logs import RequestLine, RequestLog, logged_request_id
from service.observability.metrics import METHODS, OTHER_METHOD
from service.observability.trace_context import TraceParent, new_span_id, new_trace_id, parse_traceparent
from service.settings import Settings

if TYPE_CHECKING:
    from service.observability.traces import Spans

FLUSH_SECONDS = 0.2
LOGGED_FROM = {"all": 0, "errors": 400, "off": 1000}  # status
_MOST_DIGITS = 15


class Came(Struct, frozen=True, kw_only=True):
    """What names a request: its id, whether the caller chose it, and the headers of its trace as they came."""

    request_id: str
    chosen: bool
    traceparent: bytes
    tracestate: bytes


def _came(scope: Scope) -> Came:
    sent = traceparent = tracestate = b""
    parents = 0
    for name, value in scope["headers"]:
        if name == b"x-request-id":
            sent = sent or value
        elif name == b"traceparent":
            traceparent, parents = value, parents + 1
        elif name == b"tracestate":
            tracestate = tracestate + b"," + value if tracestate else value
    request_id: str = scope["effort_request_id"]
    return Came(
        request_id=request_id,
        chosen=sent == request_id.encode(),
        traceparent=traceparent if parents == 1 else b"",
        tracestate=tracestate,
    )


class Over(Struct, frozen=True, kw_only=True):
    """A request that is over. `route` is a template, None when no route took it."""

    scope: Scope
    path: str
    method: str
    route: str | None
    status: int
    response_bytes: int
    seconds: float


class Teller:
    """Tells of requests: a line in the log from a status on, a span of each where those are sent."""

    def __init__(
        self, requests: Literal["all", "errors", "off"], log: RequestLog, spans: "Spans | None"
    ) -> None:
        self._log = log
        self._spans = spans
        self._logged_from = LOGGED_FROM[requests]
        self._pid = os.getpid()
        self._flushing: asyncio.TimerHandle | None = None
        self.told_from = 0 if spans is not None else self._logged_from  # status; below it nothing is told

    def tell(self, over: Over) -> None:
        """Tell of one request."""
        ended_at = time.time()
        came = _came(over.scope)
        method = over.method if over.method in METHODS else OTHER_METHOD
        parent = parse_traceparent(came.traceparent)
        trace_id, span_id = self._ids(over, came, method, parent, ended_at - over.seconds)
        if over.status < self._logged_from:
            return
        principal = over.scope.get("effort_principal")
        request_id = came.request_id
        if came.chosen:
            request_id = logged_request_id(request_id, over.path, over.route)
        self._log.add(
            RequestLine(
                time=datetime.fromtimestamp(ended_at, UTC),
                method=method,
                route=UNSET if over.route is None else over.route,
                status=over.status,
                problem=over.scope.get("effort_problem", UNSET),
                duration_seconds=round(over.seconds, 6),
                request_bytes=_announced(over.scope),
                response_bytes=over.response_bytes,
                request_id=request_id,
                trace_id=trace_id,
                span_id=span_id,
                parent_span_id=UNSET if parent is None else parent.span_id,
                key=UNSET if principal is None else principal.key_id,
                pid=self._pid,
            )
        )
        if self._flushing is None:
            self._flushing = asyncio.get_running_loop().call_later(FLUSH_SECONDS, self.flush)

    def flush(self) -> None:
        """Write what waits."""
        if self._flushing is not None:
            self._flushing.cancel()
            self._flushing = None
        self._log.flush()

    async def close(self) -> None:
        """Write and send what waits."""
        self.flush()
        if self._spans is not None:
            await asyncio.to_thread(self._spans.close)

    def _ids(
        self, over: Over, came: Came, method: str, parent: TraceParent | None, started_at: float
    ) -> tuple[str, str]:
        """Return the ids of the trace and of this request's own span; send the span where spans are sent."""
        if self._spans is not None:
            return self._spans.send(
                method=method,
                route=over.route,
                status=over.status,
                problem=over.scope.get("effort_problem"),
                started_at=started_at,
                seconds=over.seconds,
                parent=parent,
                tracestate=came.tracestate,
            )
        if parent is not None:
            return parent.trace_id, new_span_id()
        # An id we gave is a new trace's id as well: one less to look for.
        return new_trace_id() if came.chosen else came.request_id, new_span_id()


def _announced(scope: Scope) -> int | UnsetType:
    for name, length in scope["headers"]:
        if name == b"content-length" and length.isdigit() and len(length) <= _MOST_DIGITS:
            return int(length)
    return UNSET


def open_teller(settings: Settings) -> Teller:
    """Return the teller of `settings`; connects to a collector later. Raises SettingsInvalid."""
    requests = settings.log_requests if settings.log_level in ("debug", "info") else "off"
    spans = spans_of(settings)
    return Teller(
        requests, RequestLog(), None if spans is None else spans(settings.otlp_endpoint, __version__)
    )


def spans_of(settings: Settings) -> "type[Spans] | None":
    """Return what sends spans where `settings` name a collector. Raises SettingsInvalid."""
    if not settings.otlp_endpoint:
        return None
    try:
        from service.observability.traces import Spans  # noqa: PLC0415 - the packages are an extra
    except ModuleNotFoundError as error:
        told = "EFFORT_OTLP_ENDPOINT needs OpenTelemetry: install effort-prescription[otel]"
        raise SettingsInvalid(told) from error
    return Spans
