"""Requests to an application in this process, without a client library between: what is timed is the service."""

import asyncio
from typing import Any

from service.api.edge import ASGI


async def post(
    app: ASGI, path: str, body: bytes, token: str, *, query: bytes = b"", idempotency_key: str = ""
) -> tuple[int, bytes]:
    """Return status and body of the answer."""
    headers = [
        (b"host", b"service.test"),
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"authorization", f"Bearer {token}".encode()),
    ]
    if idempotency_key:
        headers.append((b"idempotency-key", idempotency_key.encode()))
    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query,
        "root_path": "",
        "headers": headers,
        "client": ("127.0.0.1", 1),
        "server": ("service.test", 80),
    }
    unread = [{"type": "http.request", "body": body, "more_body": False}]
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        if unread:
            return unread.pop()
        await asyncio.Event().wait()
        raise AssertionError

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return sent[0]["status"], b"".join(message.get("body", b"") for message in sent[1:])
