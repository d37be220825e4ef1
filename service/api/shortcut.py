"""The fast path of the hottest call: POST /v1/prescriptions.

It knows only success. Whatever it cannot answer at once (another or a repeated header, an unknown key, a body that
does not decode, a refused context) goes to the documented handler with the body already read, so every error has one
home. A conformance test asks both ways and compares.
"""

from typing import Any

import msgspec

from service.api.answers import wanted_media_type
from service.api.edge import SECURITY_HEADERS, Message, Receive, Scope, Send, Shortcut
from service.api.keyring import SCHEME, KeyRing
from service.api.languages import VARY, language_of
from service.api.prescriptions import prescribed
from service.api.quotas import Quotas
from service.api.reading import JSON
from service.observability.metrics import Metrics
from service.rules.context import SetContext
from service.storage.keys import Principal

PATH = "/v1/prescriptions"
DETAILS = {b"": "full", b"detail=full": "full", b"detail=brief": "brief"}
SCOPE = "prescribe"
_DECODE = msgspec.json.Decoder(SetContext).decode
_ENCODE = msgspec.json.Encoder().encode
_FIXED = [(b"content-type", JSON.encode()), (b"cache-control", b"no-store"), (b"vary", VARY.encode())]
_READ_HEADERS = (
    b"content-type",
    b"content-encoding",
    b"content-length",
    b"accept",
    b"accept-language",
    b"authorization",
)


def _replay(messages: list[Message], receive: Receive) -> Receive:
    waiting = iter(messages)

    async def replayed() -> Message:
        return next(waiting, None) or await receive()

    return replayed


def _let_in(sent: dict[bytes, bytes], keys: KeyRing) -> Principal | None:
    """Return who sent a request of the plain kind: known key with the scope, JSON both ways, no encoding."""
    authorization = sent.get(b"authorization", b"").decode("latin-1")
    if sent.get(b"content-type") != JSON.encode() or b"content-encoding" in sent:
        return None
    if wanted_media_type(sent.get(b"accept", b"").decode("latin-1")) != JSON:
        return None
    if authorization[: len(SCHEME)].lower() != SCHEME:
        return None
    principal = keys.remembered(authorization[len(SCHEME) :].strip())
    return principal if principal is not None and SCOPE in principal.scopes else None


def make_shortcut(state: Any, max_body_bytes: int) -> Shortcut:
    """Return the shortcut for an application's state (`keyring`, `policies`, `quotas`, `metrics`)."""

    async def shortcut(scope: Scope, receive: Receive, send: Send) -> Receive | None:
        if scope["path"] != PATH or scope["method"] != "POST":
            return receive
        detail = DETAILS.get(scope["query_string"])
        read = [pair for pair in scope["headers"] if pair[0] in _READ_HEADERS]
        sent = dict(read)
        principal = _let_in(sent, state.keyring)
        if detail is None or len(sent) != len(read) or principal is None:
            return receive
        message = await receive()
        body = message.get("body", b"")
        # some servers say more_body until the very end: the announced length tells that all is here
        if sent.get(b"content-length") != str(len(body)).encode() or len(body) > max_body_bytes:
            return _replay([message], receive)
        code = language_of(sent.get(b"accept-language", b"").decode("latin-1"))
        try:
            found = prescribed(_DECODE(body), detail, state.languages.policies(code))  # type: ignore[arg-type]  # one of two literals
        except Exception:  # noqa: BLE001 - a defect, too, is answered and logged by the documented way
            return _replay([message], receive)
        quotas: Quotas = state.quotas
        taken = await quotas.take(principal, 1)
        if taken.retry_after_seconds:
            return _replay([message], receive)
        metrics: Metrics = state.metrics
        metrics.prescribed(found.decision, detail)
        scope["path_template"], scope["effort_principal"] = PATH, principal
        answer = _ENCODE(found)
        headers = [
            *_FIXED,
            (b"content-length", str(len(answer)).encode()),
            (b"content-language", code.encode()),
            (b"x-request-id", scope["effort_request_id"].encode()),
            *SECURITY_HEADERS,
            *taken.headers,
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": answer})
        return None

    return shortcut
