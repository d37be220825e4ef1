"""Spans of requests, sent to an OpenTelemetry collector over HTTP (OTLP). Imported only when that is switched on."""

from opentelemetry import trace
from opentelemetry.context import Context
from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import Resource
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor
from opentelemetry.trace import (
    NonRecordingSpan,
    SpanContext,
    SpanKind,
    Status,
    StatusCode,
    TraceFlags,
    TraceState,
)

from service.observability.trace_context import TraceParent

_NANOSECONDS = 1_000_000_000
_FAILED = 500


class Spans:
    """Sends one span for each request that its caller, or the sampler, wants kept.

    What OTEL_* variables say of sampling, batches and headers holds.
    """

    def __init__(self, endpoint: str, version: str) -> None:
        resource = Resource.create({"service.name": "effort-prescription", "service.version": version})
        self._provider = TracerProvider(resource=resource)
        exporter = OTLPSpanExporter(endpoint=f"{endpoint.rstrip('/')}/v1/traces")
        self._provider.add_span_processor(BatchSpanProcessor(exporter))
        self._tracer = self._provider.get_tracer("service", version)

    def send(
        self,
        *,
        method: str,
        route: str | None,
        status: int,
        problem: str | None,
        started_at: float,
        seconds: float,
        parent: TraceParent | None,
        tracestate: bytes,
    ) -> tuple[str, str]:
        """Make the span of a request that is over; return the ids of its trace and of itself, as hex.

        `route` is a template, None when there is none; `problem` the slug of the answer's problem type; `started_at`
        Unix time [s]; `tracestate` the header as it came.
        """
        attributes: dict[str, str | int] = {
            "http.request.method": method,
            "http.response.status_code": status,
        }
        if route is not None:
            attributes["http.route"] = route
        if status >= _FAILED:
            attributes["error.type"] = problem or str(status)
        span = self._tracer.start_span(
            f"{method} {route}" if route else method,
            context=_context(parent, tracestate),
            kind=SpanKind.SERVER,
            attributes=attributes,
            start_time=round(started_at * _NANOSECONDS),
        )
        if status >= _FAILED:
            span.set_status(Status(StatusCode.ERROR))
        span.end(round((started_at + seconds) * _NANOSECONDS))
        found = span.get_span_context()
        return trace.format_trace_id(found.trace_id), trace.format_span_id(found.span_id)

    def close(self) -> None:
        """Send what waits, then stop. Blocks for seconds when the collector is away."""
        self._provider.shutdown()


def _context(parent: TraceParent | None, tracestate: bytes) -> Context:
    if parent is None:
        return Context()
    caller = SpanContext(
        trace_id=int(parent.trace_id, 16),
        span_id=int(parent.span_id, 16),
        is_remote=True,
        trace_flags=TraceFlags(parent.flags & TraceFlags.SAMPLED),
        trace_state=TraceState.from_header([tracestate.decode("latin-1")] if tracestate else []),
    )
    return trace.set_span_in_context(NonRecordingSpan(caller), Context())
