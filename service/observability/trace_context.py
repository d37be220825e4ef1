"""W3C Trace Context: the `traceparent` of whoever called.

Source: W3C Recommendation "Trace Context", 23 November 2021, section 3.2.
"""

import random
import re
from typing import NamedTuple

# Later versions may append more, after a hyphen; `ff` is none. Ids of zeros only are not valid.
_TRACEPARENT = re.compile(
    rb"(?!ff)(?P<version>[0-9a-f]{2})-(?!0{32})(?P<trace>[0-9a-f]{32})-(?!0{16})(?P<span>[0-9a-f]{16})"
    rb"-(?P<flags>[0-9a-f]{2})(?P<more>-.*)?\Z"
)


class TraceParent(NamedTuple):
    """Where a request comes from: its trace and the caller's span, as lower-case hex, and the flags."""

    trace_id: str
    span_id: str
    flags: int


def parse_traceparent(sent: bytes) -> TraceParent | None:
    """Return what a `traceparent` header says, None when it is absent or not valid."""
    found = _TRACEPARENT.match(sent) if sent else None
    if found is None or (found["version"] == b"00" and found["more"] is not None):
        return None
    return TraceParent(found["trace"].decode(), found["span"].decode(), int(found["flags"], 16))


def new_trace_id() -> str:
    """Return 128 random bits as hex, which also name a request. They are no secret."""
    return f"{random.getrandbits(128) or 1:032x}"


def new_span_id() -> str:
    """Return 64 random bits as hex."""
    return f"{random.getrandbits(64) or 1:016x}"
