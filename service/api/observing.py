"""The outermost layer: every request is named, timed and counted, and told of.

It sees what the layers inside write into the scope: `path_template` (Litestar, or the shortcut), `effort_principal`,
`effort_problem`.
"""

import logging
import re
from collections.abc import Awaitable, Callable
from time import perf_counter

import msgspec
from litestar import Litestar

from service.api.edge import ASGI, Message, Receive, Scope, Send, answer_headers
from service.api.problems import PROBLEM_JSON, problem_of
from service.api.telling import Over, Teller
from service.observability.logs import logged_request_id
from service.observability.metrics import UNMATCHED, Metrics
from service.observability.trace_context import new_trace_id

INTERNAL_ERROR = 500
_REQUEST_ID = re.compile(rb"[A-Za-z0-9._-]{1,64}\Z")
_log = logging.getLogger("service.api")
RouteOf = Callable[[str], str | None]


class _Answer:
    """Sends an answer on, and sees its status and length [bytes]."""

    __slots__ = ("_send", "bytes", "status")

    def __init__(self, send: Send) -> None:
        self._send = send
        self.status = self.bytes = 0

    def send(self, message: Message) -> Awaitable[None]:
        """Send a part of the answer."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
        else:
            self.bytes += len(message.get("body", b""))
        return self._send(message)


def route_finder(app: Litestar) -> RouteOf:
    """Return a function from an address to the template of its route, for what never reached the router."""
    templates = sorted({route.path_format for route in app.routes})
    patterns = [re.sub(r"\\\{[^}]+\\\}", "[^/]+", re.escape(template)) for template in templates]
    any_route = re.compile("|".join(f"({pattern})" for pattern in patterns))

    def route_of(path: str) -> str | None:
        found = any_route.fullmatch("/" + "/".join(part for part in path.split("/") if part))
        return None if found is None or found.lastindex is None else templates[found.lastindex - 1]

    return route_of


def _named(scope: Scope) -> str:
    """Return the name of a request: the caller's own when it is one, else a new one."""
    for name, value in scope["headers"]:
        if name == b"x-request-id":
            return value.decode() if _REQUEST_ID.match(value) else new_trace_id()
    return new_trace_id()


async def _fail(error: Exception, scope: Scope, answer: _Answer) -> None:
    """Log what no layer inside expected, and answer it when no answer has begun."""
    request_id: str = scope["effort_request_id"]
    told = logged_request_id(request_id, scope["path"], scope.get("path_template"))
    _log.error("request %s failed", told, exc_info=error, extra={"told": {"request_id": told}})
    if answer.status:
        raise error  # the server breaks the connection off, so that nobody takes a part for the whole
    body = msgspec.json.encode(problem_of(error, instance=scope["path"], request_id=request_id))
    headers = [
        (b"cache-control", b"no-store"),
        (b"content-type", PROBLEM_JSON.encode()),
        (b"content-length", str(len(body)).encode()),
        *answer_headers(request_id),
    ]
    await answer.send({"type": "http.response.start", "status": INTERNAL_ERROR, "headers": headers})
    await answer.send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})


def with_observation(app: ASGI, *, route_of: RouteOf, metrics: Metrics, teller: Teller) -> ASGI:
    """Return `app` inside this layer. `route_of` names the route of what never reached the router."""

    def over(scope: Scope, path: str, method: str, answer: _Answer, seconds: float) -> None:
        status = answer.status or INTERNAL_ERROR
        route = scope.get("path_template") or route_of(path)
        metrics.end(method, route or UNMATCHED, status, seconds)
        if "effort_problem" in scope:
            metrics.problem(scope["effort_problem"])
        if status >= teller.told_from:
            teller.tell(
                Over(
                    scope=scope,
                    path=path,
                    method=method,
                    route=route,
                    status=status,
                    response_bytes=answer.bytes,
                    seconds=seconds,
                )
            )

    async def observed(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        path, method, answer = scope["path"], scope["method"], _Answer(send)
        scope["effort_request_id"] = _named(scope)
        metrics.begin()
        started = perf_counter()
        try:
            await app(scope, receive, answer.send)
        except Exception as error:  # noqa: BLE001 - the last place before the server, which would answer text
            await _fail(error, scope, answer)
        finally:
            over(scope, path, method, answer, perf_counter() - started)

    return observed
