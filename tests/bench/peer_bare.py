"""Bare ASGI peer: decodes, runs the same rules, encodes. The limit for a Python handler."""

from typing import Any

import msgspec

from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from service.rules.prescribe import prescribe_brief

POLICY = load_policies().newest
DECODE = msgspec.json.Decoder(SetContext).decode
ENCODE = msgspec.json.Encoder().encode
HEADERS = [(b"content-type", b"application/json")]


async def app(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """Answer any request as a prescription."""
    if scope["type"] != "http":
        return
    body, more = b"", True
    while more:
        message = await receive()
        body += message.get("body", b"")
        more = message.get("more_body", False)
    answer = ENCODE(prescribe_brief(DECODE(body), POLICY))
    headers = [*HEADERS, (b"content-length", str(len(answer)).encode())]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": answer})
