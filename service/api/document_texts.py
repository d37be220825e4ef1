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
- Each key, and each tenant where so set, has a quota of items a minute: each context or set sent costs one item, any \
other request with a key one. `RateLimit` and `RateLimit-Policy` tell what is left; they are an IETF draft \
(draft-ietf-httpapi-ratelimit-headers-11), no standard. 429 and 503 come with `Retry-After`.
- Reading catalogues, problems, health, metrics and this document needs no key. Deterministic answers carry a strong \
`ETag`."""

TAGS: list[dict[str, Any]] = [
    {"name": "Prescriptions", "description": "How close to failure to take a set, and why."},
    {"name": "Lifters", "description": "What is told about a lifter once; erasure. Needs `history:*`."},
    {"name": "Performed sets", "description": "What was done. History learns from it."},
    {"name": "What was learned", "description": "State, review and export of one lifter."},
    {"name": "Audit", "description": "Who changed what and when. Needs `admin`."},
    {"name": "Keys and sites", "description": "Who may call, and the tenant's places. Needs `admin`."},
    {"name": "Estimates", "description": "Load and repetitions."},
    {"name": "Catalogues", "description": "What prescriptions are made from."},
    {"name": "Problems", "description": "What errors mean and how to mend them."},
    {"name": "Health", "description": "For your orchestrator and your monitoring."},
    {"name": "Document", "description": "This contract."},
]

SECURITY_SCHEMES: dict[str, Any] = {
    "apiKey": {
        "type": "http",
        "scheme": "bearer",
        "description": "`Authorization: Bearer <API key>`. Keys carry scopes, none implies another, and may be bound "
        "to sites: then lifters of other sites are not there.",
    },
    "jwt": {
        "type": "http",
        "scheme": "bearer",
        "bearerFormat": "JWT",
        "description": "`Authorization: Bearer <token>` of the issuer the operator trusts, where there is one. Claims: "
        "`exp`, `iss`, `aud`, `sub`, the tenant's name (`tenant`, unless set otherwise), `scope` (separated by "
        "spaces), and `sites` (an array) to be bound to some.",
    },
}
RETRY_AFTER: dict[str, Any] = {
    "Retry-After": {
        "description": "Seconds after which to try again.",
        "schema": {"type": "integer", "minimum": 1},
    },
}
QUOTA_HEADERS: dict[str, Any] = {
    "RateLimit": {
        "description": "What is left (IETF draft): who sends no more than `r` items in the next `t` seconds is not "
        'refused, e.g. `"key";r=59000;t=59`. Absent where quotas are off.',
        "schema": {"type": "string"},
    },
    "RateLimit-Policy": {
        "description": "Quotas `q` in items for each `w` seconds, of the key and of its tenant (IETF draft), e.g. "
        '`"key";q=60000;w=60`. Absent where quotas are off.',
        "schema": {"type": "string"},
    },
}

RESPONSE_HEADERS: dict[str, Any] = {
    "X-Request-Id": {"description": "Name of this request in logs.", "schema": {"type": "string"}},
}

# What stands in a path when an operation is shown: the lifter, the set and the key of the examples.
PATH_EXAMPLES = {
    "entry_id": "0193f8a4-7c00-7000-8000-0000000000e0",
    "key": "LAS22",
    "key_id": "4fJ0aX91Qm2b",
    "lifter_id": "lark-4",
    "set_id": "0193f8a4-7c00-7000-8000-000000000003",
    "site": "north-pier",
    "slug": "invalid-input",
    "version": "2026-11-25",
}
