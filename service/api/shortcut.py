"""The fast path of the hottest calls: POST /v1/prescriptions, alone and in batches.

It knows only success. Whatever it cannot answer at once (another or a repeated header, an unknown key, a body that
does not decode, a refused context) goes to the documented handler with the body already read, so every error has one
home. A conformance test asks both ways and compares.
"""

from math import inf
from typing import Any, Literal

from service.api.answers import wanted_media_type, wants_lines
from service.api.edge import SECURITY_HEADERS, Message, Receive, Scope, Send, Shortcut
from service.api.keyring import PRESCRIBE, SCHEME, KeyRing
from service.api.languages import CODES, VARY, language_of
from service.api.prescriptions import BATCH_PATH, PATH, Done, batch_done, one_done
from service.api.quotas import Quotas
from service.api.reading import JSON
from service.observability.metrics import Metrics
from service.storage.keys import Principal

DETAILS: dict[bytes, Literal["full", "brief"]] = {
    b"": "full",
    b"detail=full": "full",
    b"detail=brief": "brief",
}
MAKERS = {PATH: one_done, BATCH_PATH: batch_done}
_MOST_DIGITS = 15
_JSON = JSON.encode()
_FIXED = {
    code: (
        (b"content-type", _JSON),
        (b"cache-control", b"no-store"),
        (b"content-language", code.encode()),
        (b"vary", VARY.encode()),
        *SECURITY_HEADERS,
    )
    for code in CODES
}


def replay(messages: list[Message], receive: Receive) -> Receive:
    """Return a `receive` that begins with what was read already."""
    waiting = iter(messages)

    async def replayed() -> Message:
        return next(waiting, None) or await receive()

    return replayed


def _wants_json(accept: str) -> bool:
    return wanted_media_type(accept, picture=True) == JSON and not wants_lines(accept)


def let_in(
    headers: list[tuple[bytes, bytes]], sent: dict[bytes, bytes], keys: KeyRing, scopes: frozenset[str]
) -> Principal | None:
    """Return who sent a request of the plain kind: known key with the scopes, JSON both ways, no header twice."""
    if len(sent) != len(headers) or sent.get(b"content-type") != _JSON or b"content-encoding" in sent:
        return None
    accept = sent.get(b"accept", b"*/*")
    if accept != b"*/*" and not _wants_json(accept.decode("latin-1")):
        return None
    authorization = sent.get(b"authorization", b"").decode("latin-1")
    if authorization[: len(SCHEME)].lower() != SCHEME:
        return None
    principal = keys.remembered(authorization[len(SCHEME) :].strip(), scopes)
    return principal if principal is not None and scopes.issubset(principal.scopes) else None


def announced(sent: dict[bytes, bytes]) -> float:
    """Return the announced length of the body [bytes], infinite when there is none that can be read."""
    length = sent.get(b"content-length", b"")
    return int(length) if length.isdigit() and len(length) <= _MOST_DIGITS else inf


async def read_whole(receive: Receive, length: float) -> tuple[list[Message], bytes | None]:
    """Return what came, and the body when it is as long as announced [bytes].

    Servers may say `more_body` until the very end, so the length tells that all is here.
    """
    message = await receive()
    messages, got = [message], len(message.get("body", b""))
    while got < length and message.get("more_body"):
        message = await receive()
        messages.append(message)
        got += len(message.get("body", b""))
    if got != length:
        return messages, None
    return messages, messages[0]["body"] if len(messages) == 1 else b"".join([m["body"] for m in messages])


async def send_done(done: Done, code: str, quota: Any, request_id: str, send: Send) -> None:
    """Send the answer in the language of that code, with what is left of the quota."""
    headers = [
        *_FIXED[code],
        (b"content-length", b"%d" % len(done.body)),
        (b"x-request-id", request_id.encode()),
        *quota,
    ]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": done.body})


def make_shortcut(state: Any, max_body_bytes: int) -> Shortcut:
    """Return the shortcut for an application's state (`keyring`, `languages`, `quotas`, `metrics`)."""

    async def shortcut(scope: Scope, receive: Receive, send: Send) -> Receive | None:
        make = MAKERS.get(scope["path"])
        detail = DETAILS.get(scope["query_string"])
        if make is None or detail is None or scope["method"] != "POST":
            return receive
        sent = dict(scope["headers"])
        principal = let_in(scope["headers"], sent, state.keyring, PRESCRIBE)
        length = announced(sent)
        if principal is None or length > max_body_bytes:
            return receive
        messages, body = await read_whole(receive, length)
        if body is None:
            return replay(messages, receive)
        quotas: Quotas = state.quotas
        code = language_of(sent.get(b"accept-language", b"").decode("latin-1"))
        try:
            done = await make(body, detail, state.languages.policies(code))
        except Exception:  # noqa: BLE001 - a defect, too, is answered and logged by the documented way
            return replay(messages, receive)
        taken = await quotas.take(principal, done.cost)
        if taken.retry_after_seconds:
            return replay(messages, receive)
        metrics: Metrics = state.metrics
        for decision, count in done.decisions.items():
            metrics.prescribed(decision, detail, count)
        scope["path_template"], scope["effort_principal"] = scope["path"], principal
        await send_done(done, code, taken.headers, scope["effort_request_id"], send)
        return None

    return shortcut
