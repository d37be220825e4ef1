"""The shortcut and the documented way answer alike: status, headers and body, whatever is asked."""

import json
import re
from collections.abc import AsyncIterator
from itertools import cycle
from typing import Any

import httpx
import msgspec
import pytest

from service.api.edge import ASGI
from service.api.prescriptions import BATCH_PATH
from service.app import create_app
from tests.api.hostile_bodies import REFUSED, REFUSED_PACKS, UNREADABLE, UNREADABLE_PACKS, changed_bodies
from tests.databases import fresh_database
from tests.serving import lifespan_of, make_key, served, settings_for

Pair = tuple[httpx.AsyncClient, httpx.AsyncClient]
Headers = list[tuple[bytes, bytes]]
PATH = "/v1/prescriptions"
REQUEST_ID = re.compile(rb'"request_id":"[^"]*"')
PACKS = UNREADABLE_PACKS | REFUSED_PACKS
VARYING = {"x-request-id", "date"}
JSON = (b"content-type", b"application/json")
GOOD = b'{"rep_target": 8, "load_percent_1rm": 75, "exercise": "leg_press"}'
CHANGED_BODIES = 400


@pytest.fixture
async def pair() -> AsyncIterator[Pair]:
    """A client each way, on one database, with one key that both remember."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with (
            # A clock that stands still: what is left of the quota is the same both ways, too.
            served(url, token=key.token, shortcut=True, monotonic=lambda: 0.0) as short,
            served(url, token=key.token, shortcut=False, monotonic=lambda: 0.0) as documented,
        ):
            for client in (short, documented):
                await client.post("/v1/estimates/repetitions", json={"load_percent_1rm": 80})
            yield short, documented


async def assert_alike(
    pair: Pair, content: bytes, headers: Headers, query: str = "", path: str = PATH
) -> httpx.Response:
    """Ask both ways and compare everything but the name of the request; return one answer."""
    answers = []
    for client in pair:
        own = any(name == b"authorization" for name, _ in headers)
        key: Headers = [] if own else [(b"authorization", client.headers["authorization"].encode())]
        request = client.build_request("POST", path + query, content=content)
        length = (b"content-length", str(len(content)).encode())
        request.headers = httpx.Headers([(b"host", b"service.test"), length, *headers, *key])
        answers.append(await client.send(request))
    told = [(answer.status_code, plain_headers(answer), plain_body(answer)) for answer in answers]
    assert told[0] == told[1]
    assert answers[0].status_code < 500
    return answers[0]


def plain_headers(answer: httpx.Response) -> list[tuple[str, str]]:
    """Return all headers but those that vary, in alphabetical order."""
    return sorted(pair for pair in answer.headers.multi_items() if pair[0] not in VARYING)


def plain_body(answer: httpx.Response) -> Any:
    """Return the body without the request id that problems name."""
    if answer.headers["content-type"] != "application/problem+json":
        return REQUEST_ID.sub(b"", answer.content)
    return {name: value for name, value in answer.json().items() if name != "request_id"}


@pytest.mark.parametrize("body", [*UNREADABLE.values(), *REFUSED.values()], ids=[*UNREADABLE, *REFUSED])
async def test_hostile_bodies_are_answered_alike(pair: Pair, body: bytes) -> None:
    """What the shortcut cannot read, the documented way explains."""
    await assert_alike(pair, body, [JSON])


@pytest.mark.parametrize(
    "query", ["", "?detail=full", "?detail=brief", "?detail=", "?detail", "?detail=brief&", "?x=1"]
)
async def test_queries_are_answered_alike(pair: Pair, query: str) -> None:
    """Known and unknown parameters."""
    await assert_alike(pair, GOOD, [JSON], query)


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [(b"content-type", b"application/json; charset=utf-8")],
        [(b"content-type", b"APPLICATION/JSON")],
        [JSON, JSON],
        [JSON, (b"content-type", b"text/plain")],
        [(b"content-type", b"text/plain"), JSON],
        [JSON, (b"content-encoding", b"gzip")],
        [JSON, (b"content-encoding", b"")],
        [JSON, (b"accept", b"application/vnd.msgpack")],
        [JSON, (b"accept", b"application/vnd.msgpack"), (b"accept", b"application/json")],
        [JSON, (b"accept", b"application/json"), (b"accept", b"application/vnd.msgpack")],
        [JSON, (b"accept", b"application/vnd.msgpack;q=0.1, */*")],
        [JSON, (b"accept", b"text/html")],
        [JSON, (b"accept", b"\xff")],
        [JSON, (b"authorization", b"Bearer no")],
        [JSON, (b"authorization", b"Bearer \xe9")],
        [JSON, (b"authorization", b"")],
    ],
)
async def test_headers_are_answered_alike(pair: Pair, headers: Headers) -> None:
    """Repeated, odd and missing ones."""
    await assert_alike(pair, GOOD, headers)


async def test_a_second_authorization_header_changes_nothing(pair: Pair) -> None:
    """The first counts, both ways."""
    live = (b"authorization", pair[0].headers["authorization"].encode())
    other = (b"authorization", b"Bearer no")
    assert (await assert_alike(pair, GOOD, [JSON, live, other])).status_code == 200
    assert (await assert_alike(pair, GOOD, [JSON, other, live])).status_code == 401


def batch_of(*contexts: bytes) -> bytes:
    """A batch body."""
    return b'{"contexts": [' + b", ".join(contexts) + b"]}"


BATCHES = {
    "one": batch_of(GOOD),
    "several turns": batch_of(*[b'{"rep_target": %d}' % (n % 50 + 1) for n in range(200)]),
    "one withheld": batch_of(GOOD, b'{"rep_target": 8, "cautions": ["warning_signs"]}'),
    "one refused by its types": batch_of(GOOD, b'{"rep_target": 0}', GOOD),
    "one refused by rules": batch_of(GOOD, b'{"rep_target": 8, "exercise": "no_such_lift"}'),
    "one pins an unknown policy": batch_of(b'{"rep_target": 8, "policy": "1999-01-01"}', GOOD),
    "a whole float": batch_of(b'{"rep_target": 8.0}'),
    "traits": batch_of(
        b'{"rep_target": 8, "exercise_traits": {"joints": "single", "muscles": {"biceps": 1}}}'
    ),
    "none": batch_of(),
    "too many": batch_of(*[b'{"rep_target": 8}'] * 1001),
    "no array": b'{"contexts": 1}',
    "more than contexts": b'{"contexts": [{"rep_target": 8}], "more": 1}',
    "cut short": batch_of(GOOD)[:-2],
}


@pytest.mark.parametrize(("name", "query"), list(zip(BATCHES, cycle(["", "?detail=brief"]), strict=False)))
async def test_batches_are_answered_alike(pair: Pair, name: str, query: str) -> None:
    """Good ones, which the shortcut answers, and those with something wrong in them; what they cost, too."""
    await assert_alike(pair, BATCHES[name], [JSON], query, BATCH_PATH)
    await assert_alike(pair, GOOD, [JSON])  # tells how much of the quota is left


@pytest.mark.parametrize("name", PACKS)
async def test_messagepack_is_answered_alike(pair: Pair, name: str) -> None:
    """Hostile bytes, and a good body."""
    packed = (b"content-type", b"application/vnd.msgpack")
    await assert_alike(pair, PACKS[name], [packed])
    good = await assert_alike(pair, msgspec.msgpack.encode(json.loads(GOOD)), [packed])
    assert good.status_code == 200


async def test_changed_bodies_are_answered_alike(pair: Pair) -> None:
    """Bytes put into a good body at random places, the same ones every time."""
    bodies = changed_bodies(GOOD, CHANGED_BODIES)
    seen = {(await assert_alike(pair, body, [JSON])).status_code for body in bodies}
    assert seen == {200, 400, 422}


async def ask_in_parts(
    app: ASGI, token: str, body: bytes, length: int
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Send a batch as a server does that has no end of the body at hand; return the scope and what was answered."""
    parts = [body[:5], body[5:700], b"", body[700:]]
    coming = [{"type": "http.request", "body": part, "more_body": True} for part in parts]
    coming.append({"type": "http.request", "body": b"", "more_body": False})
    sent: list[dict[str, Any]] = []
    headers = {
        "authorization": f"Bearer {token}",
        "content-type": "application/json",
        "content-length": str(length),
    }
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "path": BATCH_PATH,
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }

    async def receive() -> dict[str, Any]:
        return coming.pop(0)

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return scope, sent


async def test_a_body_that_comes_in_parts_is_answered_as_one() -> None:
    """By the shortcut when it is as long as announced, else by the documented way, which misses none of it."""
    body = BATCHES["several turns"]
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        app = create_app(settings_for(url))
        async with lifespan_of(app):
            await ask_in_parts(app, key.token, body, len(body))  # the shortcut takes only known keys
            answers = []
            for more in (0, 1):
                scope, sent = await ask_in_parts(app, key.token, body, len(body) + more)
                assert ("route_handler" in scope) == bool(more), "Litestar's router was asked, or was not"
                assert sent[0]["status"] == 200
                answers.append(b"".join(message.get("body", b"") for message in sent))
            assert answers[0] == answers[1]
