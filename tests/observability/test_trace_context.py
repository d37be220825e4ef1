"""W3C Trace Context: which `traceparent` is continued."""

import re

import pytest

from service.observability.trace_context import new_span_id, new_trace_id, parse_traceparent

TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"


@pytest.mark.parametrize(
    ("sent", "flags"),
    [
        (f"00-{TRACE}-{SPAN}-01", 1),
        (f"00-{TRACE}-{SPAN}-00", 0),
        (f"cc-{TRACE}-{SPAN}-03-what-comes-later", 3),
    ],
)
def test_a_valid_parent_is_read(sent: str, flags: int) -> None:
    """Of this version and of later ones, which may append more."""
    assert parse_traceparent(sent.encode()) == (TRACE, SPAN, flags)


@pytest.mark.parametrize(
    "sent",
    [
        "",
        "00",
        f"00-{TRACE}-{SPAN}",
        f"00-{TRACE}-{SPAN}-01-more",
        f"00-{TRACE}-{SPAN}-01 ",
        f"00-{TRACE.upper()}-{SPAN}-01",
        f"00-{'0' * 32}-{SPAN}-01",
        f"00-{TRACE}-{'0' * 16}-01",
        f"ff-{TRACE}-{SPAN}-01",
        f"00-{TRACE[:-1]}g-{SPAN}-01",
        f"00-{TRACE}{SPAN}-01",
        f"cc-{TRACE}-{SPAN}-01x",
        "00-" + "4" * 100_000,
    ],
)
def test_anything_else_is_no_parent(sent: str) -> None:
    """Length, letters, zeros and the version that is none."""
    assert parse_traceparent(sent.encode()) is None


def test_new_ids_are_valid_and_differ() -> None:
    """As the header wants them."""
    traces, spans = {new_trace_id() for _ in range(1000)}, {new_span_id() for _ in range(1000)}
    assert len(traces) == len(spans) == 1000
    assert all(re.fullmatch("[0-9a-f]{32}", each) for each in traces)
    assert all(re.fullmatch("[0-9a-f]{16}", each) for each in spans)
