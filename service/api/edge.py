"""The outer layer around the application: what every answer has, errors of the router included.

Request id, security headers, HEAD, OPTIONS, strong ETags with 304, and the shortcut for the hottest call.
"""

import hashlib
from collections.abc import Awaitable, Callable
from typing import Any

import msgspec

from service import __version__
from service.api.methods import allowed_methods
from service.api.problems import PROBLEM_JSON, problem_of
from service.errors import NotFound, ServiceError

Scope = dict[str, Any]
Message = dict[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
ASGI = Callable[[Scope, Receive, Send], Awaitable[None]]
Shortcut = Callable[[Scope, Receive, Send], Awaitable[Receive | None]]

OK, NOT_MODIFIED, NO_CONTENT = 200, 304, 204
# Ten times the longest there is. The router keeps the last thousand that lead somewhere, each as long as a head may be.
LONGEST_PATH = 2000
SECURITY_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
    (b"effort-service-version", __version__.encode()),
)


def header_of(scope: Scope, name: bytes) -> bytes:
    """Return the value of a request header, empty when absent."""
    return next((value for key, value in scope["headers"] if key == name), b"")


def request_id_of(scope: Scope) -> str:
    """Return the name `service.api.observing` gave a request."""
    request_id: str = scope["effort_request_id"]
    return request_id


def answer_headers(request_id: str) -> list[tuple[bytes, bytes]]:
    """Return the headers every answer carries."""
    return [(b"x-request-id", request_id.encode()), *SECURITY_HEADERS]


def _etag(body: bytes, media_type: bytes) -> bytes:
    return b'"' + hashlib.sha256(media_type + b"\0" + body).hexdigest()[:32].encode() + b'"'


def _matches(sent: bytes, etag: bytes) -> bool:
    tags = [tag.strip().removeprefix(b"W/") for tag in sent.split(b",")]
    return b"*" in tags or etag in tags


class _Outgoing:
    """Sends an answer on with what the outer layer adds; holds back bodies of cacheable GETs for their ETag."""

    def __init__(self, scope: Scope, send: Send, request_id: str, *, head: bool) -> None:
        self._send = send
        self._scope = scope
        self._extra = answer_headers(request_id)
        self._head = head
        self._if_none_match = header_of(scope, b"if-none-match")
        self._start: Message | None = None
        self._body = b""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            quota = self._scope.get("effort_quota", ())  # what is left of it, when somebody asked
            ending = self._scope.get("effort_deprecation", ())  # of an operation that goes away
            brought = {
                name for name, _ in message["headers"]
            }  # a page has a content security policy of its own
            extra = [pair for pair in self._extra if pair[0] not in brought]
            message = {**message, "headers": [*message["headers"], *extra, *quota, *ending]}
            if self._is_cacheable(message):
                self._start = message
                return
        elif self._start is not None:
            self._body += message.get("body", b"")
            if not message.get("more_body", False):
                await self._send_tagged(self._start)
            return
        elif self._head:
            message = {**message, "body": b""}
        await self._send(message)

    def _is_cacheable(self, start: Message) -> bool:
        headers: dict[bytes, bytes] = dict(start["headers"])
        return start["status"] == OK and headers.get(b"cache-control", b"").startswith(b"public")

    async def _send_tagged(self, start: Message) -> None:
        headers = dict(start["headers"])
        etag = _etag(self._body, headers.get(b"content-type", b""))
        start["headers"].append((b"etag", etag))
        body = self._body
        if self._if_none_match and _matches(self._if_none_match, etag):
            dropped = (b"content-length", b"content-type")
            start["headers"] = [pair for pair in start["headers"] if pair[0] not in dropped]
            start["status"], body = NOT_MODIFIED, b""
        await self._send(start)
        await self._send({"type": "http.response.body", "body": b"" if self._head else body})


async def _answer_options(app: Any, scope: Scope, send: Send, request_id: str) -> None:
    methods = allowed_methods(app, scope["path"])
    if not methods:
        await _answer_nothing_there(scope, send, request_id)
        return
    headers = [(b"allow", ", ".join(methods).encode()), *answer_headers(request_id)]
    await send({"type": "http.response.start", "status": NO_CONTENT, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _answer_nothing_there(scope: Scope, send: Send, request_id: str) -> None:
    await send_problem(NotFound("nothing at this address"), scope, send, request_id)


async def send_problem(
    error: ServiceError, scope: Scope, send: Send, request_id: str, *more: tuple[bytes, bytes]
) -> None:
    """Answer with the problem of `error`, and `more` headers, where no handler is reached."""
    problem = problem_of(error, instance=scope["path"], request_id=request_id)
    scope["effort_problem"] = problem.slug
    body = msgspec.json.encode(problem)
    headers = [
        (b"cache-control", b"no-store"),
        (b"content-type", PROBLEM_JSON.encode()),
        (b"content-length", str(len(body)).encode()),
        *answer_headers(request_id),
        *more,
    ]
    await send({"type": "http.response.start", "status": problem.status, "headers": headers})
    await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})


def with_edge(app: Any, shortcut: Shortcut | None) -> ASGI:
    """Return `app` (a Litestar application) inside the outer layer.

    `shortcut` may answer a request by itself; else it gives back what it read of it, and `app` answers.
    """

    async def edge(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        request_id = request_id_of(scope)
        if len(scope["path"]) > LONGEST_PATH:
            await _answer_nothing_there(scope, send, request_id)
            return
        if shortcut is not None:
            replay = await shortcut(scope, receive, send)
            if replay is None:
                return
            receive = replay
        if scope["method"] == "OPTIONS":
            await _answer_options(app, scope, send, request_id)
            return
        head = scope["method"] == "HEAD"
        if not head:
            await app(scope, receive, _Outgoing(scope, send, request_id, head=False))
            return
        got = {**scope, "method": "GET"}
        try:
            await app(got, receive, _Outgoing(got, send, request_id, head=True))
        finally:
            scope.update({**got, "method": "HEAD", "path": scope["path"]})  # the layers outside read it

    return edge
