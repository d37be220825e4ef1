"""Spans for a collector: one a request, under the caller's trace; nothing at all unless it is switched on."""

import json
import subprocess
import sys
import time
from typing import Any

import pytest

from tests.api.collector import Collector, collector
from tests.databases import fresh_database
from tests.serving import make_key, served

TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
BODY = {"rep_target": 8}
SERVER, ERROR = 2, 2


def attributes(span: Any) -> dict[str, str | int]:
    """Return what a span says of its request."""
    return {pair.key: pair.value.string_value or pair.value.int_value for pair in span.attributes}


async def traced(
    found: Collector, *calls: dict[str, Any], shortcut: bool = True, **environ: str
) -> list[Any]:
    """Return the spans of these calls, in order."""
    environ = {"EFFORT_OTLP_ENDPOINT": found.endpoint, **environ}
    with fresh_database("sqlite") as url:
        key = await make_key(url, "prescribe", "history:read")
        async with served(url, token=key.token, shortcut=shortcut, **environ) as client:
            for call in calls:
                await client.request(**call)
    return sorted(found.spans, key=lambda span: span.start_time_unix_nano)


@pytest.mark.parametrize("shortcut", [True, False], ids=["shortcut", "documented way"])
async def test_a_request_is_a_span_under_its_callers(
    shortcut: bool, capfd: pytest.CaptureFixture[str]
) -> None:
    """Same trace, the caller's state passed on, attributes as the convention names them, the log's own ids."""
    headers = {"traceparent": f"00-{TRACE}-{SPAN}-01", "tracestate": "gym=1,other=2"}
    call = {"method": "POST", "url": "/v1/prescriptions?detail=brief", "json": BODY}
    before = time.time_ns()
    with collector() as found:
        first, second = await traced(
            found, call, {**call, "headers": headers}, shortcut=shortcut, EFFORT_LOG_REQUESTS="all"
        )
    assert found.paths == {"/v1/traces"}
    assert found.resources[0]["service.name"] == "effort-prescription"
    assert (second.trace_id.hex(), second.parent_span_id.hex()) == (TRACE, SPAN)
    assert second.trace_state == "gym=1,other=2"
    assert first.trace_id.hex() != TRACE
    assert first.parent_span_id == b""
    for span in (first, second):
        assert (span.name, span.kind) == ("POST /v1/prescriptions", SERVER)
        assert attributes(span) == {
            "http.request.method": "POST",
            "http.route": "/v1/prescriptions",
            "http.response.status_code": 200,
        }
        assert before < span.start_time_unix_nano < span.end_time_unix_nano < time.time_ns()
    lines = [json.loads(line) for line in capfd.readouterr().err.splitlines()]
    assert [(line["trace_id"], line["span_id"]) for line in lines] == [
        (span.trace_id.hex(), span.span_id.hex()) for span in (first, second)
    ]


async def test_who_calls_decides_whether_a_trace_is_kept() -> None:
    """A parent that is not sampled makes no span; a header that is not valid is no parent."""
    kept, not_kept, broken = f"00-{TRACE}-{SPAN}-01", f"00-{TRACE}-{SPAN}-00", f"00-{TRACE}-{SPAN}-0g"
    calls = [
        {
            "method": "GET",
            "url": "/health/live",
            "headers": {"traceparent": sent, "tracestate": "a=1,,=,b" * 40},
        }
        for sent in (kept, not_kept, broken)
    ]
    with collector() as found:
        spans = await traced(found, *calls)
    assert [span.trace_id.hex() == TRACE for span in spans] == [True, False]


async def test_a_span_tells_nothing_that_was_sent_and_fails_only_when_the_service_did() -> None:
    """Templates, `_OTHER`; 4xx is the caller's mistake, 503 is ours."""
    with fresh_database("sqlite", migrated=False) as bare, collector() as found:
        calls = [
            {"method": "GET", "url": "/v1/lifters/canary-4/state?canary-4=1"},
            {"method": "GET", "url": "/canary-4"},
            {"method": "CANARY-4", "url": "/v1/muscles"},
            {"method": "GET", "url": "/health/ready"},
        ]
        spans = await traced(found, *calls, EFFORT_DATABASE_URL=bare)
    assert [span.name for span in spans] == [
        "GET /v1/lifters/{lifter_id}/state",
        "GET",
        "_OTHER /v1/muscles",
        "GET /health/ready",
    ]
    assert "canary" not in str(spans).lower()
    assert [span.status.code for span in spans[1:]] == [0, 0, ERROR]
    assert attributes(spans[3])["error.type"] == "not-ready"


async def test_a_collector_that_is_away_costs_requests_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are answered as ever; ending takes no longer than the exporter may try."""
    monkeypatch.setenv("OTEL_EXPORTER_OTLP_TIMEOUT", "1")
    with collector() as gone:
        pass
    with fresh_database("sqlite") as url:
        begun = time.monotonic()
        async with served(url, EFFORT_OTLP_ENDPOINT=gone.endpoint) as client:
            for _ in range(20):
                assert (await client.get("/health/live")).status_code == 200
            assert time.monotonic() - begun < 10
    assert time.monotonic() - begun < 30


def test_nothing_of_it_is_imported_unless_it_is_switched_on() -> None:
    """The packages are an extra. Litestar by itself imports no more of them than the names of attributes."""
    code = """
import sys
from service.app import create_app
from service.settings import read_settings
create_app(read_settings({"EFFORT_DATABASE_URL": "sqlite:///unused.db"} | dict(EFFORT_OTLP_ENDPOINT=sys.argv[1])))
print(any(name.startswith("opentelemetry.sdk") for name in sys.modules))
"""
    told = [
        subprocess.run([sys.executable, "-c", code, endpoint], capture_output=True, text=True, check=True)
        for endpoint in ("", "http://127.0.0.1:9")
    ]
    assert [each.stdout.strip() for each in told] == ["False", "True"]
