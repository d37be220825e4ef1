"""Prose of the OpenAPI document."""

from typing import Any

DESCRIPTION = """Send what you know about a working set; receive a target in reps in reserve with a range, and every \
reason behind it. The effects in `reasons` add up to exactly the target.

**Not medical advice.** Training targets only: no clearance, diagnosis or treatment. Local rules and licensed \
professionals come first; show `cautions`.

- JSON or MessagePack (`application/vnd.msgpack`) both ways, by `Content-Type` and `Accept`; errors are always JSON.
- Members and query parameters the document does not name are refused. Of repeated member names the last counts. Whole \
floats (`8.0`) are integers, texts (`"8"`) are not. `null` for an optional member equals leaving it out.
- Errors are RFC 9457 problems; `errors` lists every bad place. `type` leads to a page that says how to mend it.
- Every answer carries `X-Request-Id` (yours, when you send one) and `Effort-Service-Version`.
- Reading catalogues, problems, health and this document needs no key. Deterministic answers carry a strong `ETag`."""

TAGS: list[dict[str, Any]] = [
    {"name": "Prescriptions", "description": "How close to failure to take a set, and why."},
    {"name": "Lifters", "description": "What is told about a lifter once; erasure. Needs `history:*`."},
    {"name": "Performed sets", "description": "What was done. History learns from it."},
    {"name": "What was learned", "description": "State, review and export of one lifter."},
    {"name": "Estimates", "description": "Load and repetitions."},
    {"name": "Catalogues", "description": "What prescriptions are made from."},
    {"name": "Problems", "description": "What errors mean and how to mend them."},
    {"name": "Health", "description": "For your orchestrator."},
    {"name": "Document", "description": "This contract."},
]

RESPONSE_HEADERS: dict[str, Any] = {
    "X-Request-Id": {"description": "Name of this request in logs.", "schema": {"type": "string"}},
}
