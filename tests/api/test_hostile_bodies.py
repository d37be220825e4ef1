"""Whatever a client sends, the answer is a problem, never a failure of ours; nothing is stored and nothing is kept."""

import gc
import json
import tracemalloc
from collections.abc import AsyncIterator, Iterable, Iterator
from itertools import pairwise
from math import inf
from typing import NamedTuple
from uuid import UUID

import httpx
import msgspec
import pytest
from sqlalchemy import func, select

from service.storage.engine import close_store, open_store
from service.storage.schema import metadata
from service.storage.tenancy import tenant_reading
from tests.api.hostile_bodies import REFUSED, REFUSED_PACKS, UNREADABLE, UNREADABLE_PACKS
from tests.api.poisoned_members import Route, address_of, operations, poisoned, routes
from tests.api.problem_shape import assert_problem
from tests.databases import Kind, fresh_database
from tests.serving import make_key, served

JSON = {"content-type": "application/json"}
PACKED = {"content-type": "application/vnd.msgpack"}
ROUTES = {route.operation_id: route for route in routes()}
LARGEST_ANSWER_BYTES = 60_000
LEAST_BODIES = 200
# Of a pass over some 800 bodies; one small object kept for each request would already be more.
LEAK_TOLERANCE_BYTES = 32 * 1024
PASSES_AT_MOST = 5
EVERY_NTH_BODY = 15
EVERY_SCOPE = ("prescribe", "history:read", "history:write", "admin")
UNLIMITED = {"EFFORT_RATE_LIMIT_PER_MINUTE": "0"}


class Service(NamedTuple):
    """A running service: a client with a key, its database, and the key's tenant."""

    client: httpx.AsyncClient
    url: str
    tenant_id: UUID


class Sent(NamedTuple):
    """A body, and the status it should get; 0 stands for anything but a failure of ours."""

    label: str
    body: bytes
    status: int


@pytest.fixture(params=[("sqlite", True), ("postgresql", False)], ids=["sqlite, shortcut", "postgresql"])
async def service(request: pytest.FixtureRequest) -> AsyncIterator[Service]:
    """The service on each database, once with the shortcut and once without."""
    kind: Kind
    kind, shortcut = request.param
    with fresh_database(kind) as url:
        key = await make_key(url, *EVERY_SCOPE)
        async with served(url, token=key.token, shortcut=shortcut, **UNLIMITED) as client:
            yield Service(client, url, key.tenant_id)


async def rows_of(service: Service) -> dict[str, int]:
    """Return how many rows each table holds, as far as the tenant sees them."""
    store = open_store(service.url)
    try:
        async with tenant_reading(store, service.tenant_id) as r:
            counts = {
                table.name: (await r.execute(select(func.count()).select_from(table))).scalar_one()
                for table in metadata.sorted_tables
            }
    finally:
        await close_store(store)
    return counts


def in_json(route: Route) -> list[Sent]:
    """Return every hostile JSON body of a route."""
    hostile = [each for each in poisoned(route.operation_id) if not each.is_valid]
    return [
        *(Sent(label, body, 400) for label, body in UNREADABLE.items()),
        *(Sent(label, body, 422) for label, body in REFUSED.items()),
        *(Sent("poisoned", json.dumps(each.value).encode(), 422) for each in hostile),
    ]


def _packs(value: object) -> Iterator[bytes]:
    try:
        yield msgspec.msgpack.encode(value)
    except OverflowError:
        return  # MessagePack has no room for such a number


def in_messagepack(route: Route) -> list[Sent]:
    """Return every hostile MessagePack body of a route."""
    made = poisoned(route.operation_id)
    return [
        *(Sent(label, body, 400) for label, body in UNREADABLE_PACKS.items()),
        *(Sent(label, body, 422) for label, body in REFUSED_PACKS.items()),
        *(Sent("poisoned", body, 422) for each in made if not each.is_valid for body in _packs(each.value)),
    ]


def odd_but_valid(route: Route) -> list[Sent]:
    """Return the poisoned bodies that the document allows: most are taken, none may fail."""
    valid = [each for each in poisoned(route.operation_id) if each.is_valid]
    return [Sent("odd", json.dumps(each.value).encode(), 0) for each in valid]


def _check(answer: httpx.Response, status: int) -> None:
    if status == 0:
        assert answer.status_code < 500
        status = answer.status_code
        if status < 400:
            return
    problem = assert_problem(answer, status)
    assert len(answer.content) < LARGEST_ANSWER_BYTES
    if status == 422:
        assert problem["errors"]
        assert all(entry["pointer"].startswith("#") for entry in problem["errors"])


async def wrongly_answered(
    client: httpx.AsyncClient, route: Route, bodies: Iterable[Sent], headers: dict[str, str]
) -> list[str]:
    """Send each body; return what was answered wrongly."""
    wrong = []
    for sent in bodies:
        answer = await client.request(route.method, route.address, content=sent.body, headers=headers)
        try:
            _check(answer, sent.status)
        except (AssertionError, KeyError, ValueError) as failure:
            start = f"{sent.label}: {sent.body[:120]!r} got {answer.status_code}, not {sent.status}"
            wrong.append(f"{start}: {answer.text[:200]} ({str(failure)[:100]})")
    return wrong


def test_every_write_with_a_body_is_poisoned() -> None:
    """At least 200 different bodies on each, in either format; what has no body is tried as well, below."""
    with_body = {o["operationId"] for _, _, o in operations() if "requestBody" in o}
    assert with_body == set(ROUTES)
    for route in ROUTES.values():
        for bodies in (in_json(route), in_messagepack(route)):
            assert len({sent.body for sent in bodies}) >= LEAST_BODIES


@pytest.mark.parametrize("operation_id", ROUTES)
async def test_hostile_json_is_refused_and_leaves_nothing(service: Service, operation_id: str) -> None:
    """400 when it cannot be read, 422 when the document does not allow it; the list of faults names places."""
    route, before = ROUTES[operation_id], await rows_of(service)
    assert await wrongly_answered(service.client, route, in_json(route), JSON) == []
    assert await rows_of(service) == before


@pytest.mark.parametrize("operation_id", ROUTES)
async def test_hostile_messagepack_is_refused_and_leaves_nothing(service: Service, operation_id: str) -> None:
    """MessagePack is read as strictly; what only MessagePack can carry is 400."""
    route, before = ROUTES[operation_id], await rows_of(service)
    assert await wrongly_answered(service.client, route, in_messagepack(route), PACKED) == []
    assert await rows_of(service) == before


@pytest.mark.parametrize("operation_id", ROUTES)
async def test_odd_bodies_the_document_allows_never_fail(service: Service, operation_id: str) -> None:
    """Right-to-left marks, smallest numbers, texts that look like code: taken or refused, never a 5xx."""
    route = ROUTES[operation_id]
    assert await wrongly_answered(service.client, route, odd_but_valid(route), JSON) == []


async def test_a_body_where_none_is_expected_changes_nothing(service: Service) -> None:
    """Reads and deletions answer as they do without one."""
    for place, method, operation in operations():
        if "requestBody" in operation:
            continue
        address = address_of(place)
        await service.client.request(method, address)  # what is made is there from now on
        plain = await service.client.request(method, address)
        for body in [*UNREADABLE.values(), *REFUSED.values()][::EVERY_NTH_BODY]:
            answer = await service.client.request(method, address, content=body, headers=JSON)
            assert answer.status_code == plain.status_code < 500


async def test_hostile_bodies_leave_no_memory_behind() -> None:
    """What the process holds after a pass over all bodies of all routes, it holds after the next one.

    A table that doubles or work in the background shows in one pass, what is kept of each request in every one.
    """
    with fresh_database("sqlite") as url:
        key = await make_key(url, *EVERY_SCOPE)
        async with served(url, token=key.token, EFFORT_LOG_REQUESTS="off", **UNLIMITED) as client:
            await one_pass(client)
            tracemalloc.start()
            try:
                held = [await held_after_a_pass(client)]
                while len(held) < PASSES_AT_MOST and least_growth(held) >= LEAK_TOLERANCE_BYTES:
                    held.append(await held_after_a_pass(client))
            finally:
                tracemalloc.stop()
    assert least_growth(held) < LEAK_TOLERANCE_BYTES, held


def least_growth(held_bytes: list[int]) -> float:
    """Return the least of what came on in one pass."""
    return min((later - before for before, later in pairwise(held_bytes)), default=inf)


async def held_after_a_pass(client: httpx.AsyncClient) -> int:
    """Return the bytes that the process holds of what it took since it is watched."""
    await one_pass(client)
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


async def one_pass(client: httpx.AsyncClient) -> None:
    """Send a share of the hostile bodies of each route, in both formats."""
    for route in ROUTES.values():
        for headers, bodies in ((JSON, in_json(route)), (PACKED, in_messagepack(route))):
            for sent in bodies[::EVERY_NTH_BODY]:
                await client.request(route.method, route.address, content=sent.body, headers=headers)


MANY = {
    "entries": b'{"cautions": [' + b"1," * 900_000 + b"1]}",
    "members": b"{" + b",".join(b'"m%d": 1' % n for n in range(150_000)) + b"}",
    "sets": b'{"sets": [' + b'{"reps": -1, "exercise": "leg_pres"},' * 50_000 + b"1]}",
    "names in a map": b'{"exercise_traits": {"muscles": {%s}}}'
    % b",".join(b'"A%d": 1' % n for n in range(120_000)),
}


@pytest.mark.parametrize("body", MANY.values(), ids=MANY)
async def test_the_list_of_faults_ends_at_a_hundred(client: httpx.AsyncClient, body: bytes) -> None:
    """A body full of faults costs neither us nor the caller much."""
    found = 0
    for path in ("/v1/prescriptions", "/v1/lifters/a/sets"):
        response = await client.post(path, content=body, headers=JSON)
        errors = assert_problem(response, 422)["errors"]
        found = max(found, len(errors))
        assert len(response.content) < LARGEST_ANSWER_BYTES
    assert found == 100


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"content-type": "text/plain"},
        {"content-type": "application/x-www-form-urlencoded"},
        {"content-type": "multipart/form-data; boundary=x"},
        {"content-type": "application/json; charset=latin-1"},
        {"content-type": "application/json", "content-encoding": "gzip"},
        {"content-type": "application/jsonx"},
        {"content-type": "x" * 1000},
    ],
)
async def test_other_content_types_are_415(service: Service, headers: dict[str, str]) -> None:
    """Also when the bytes would have been JSON."""
    for route in ROUTES.values():
        body = json.dumps(route.valid).encode()
        answer = await service.client.request(route.method, route.address, content=body, headers=headers)
        assert_problem(answer, 415)


async def test_charset_utf_8_is_taken(client: httpx.AsyncClient) -> None:
    """Many clients send it."""
    headers = {"content-type": "Application/JSON; Charset=UTF-8"}
    answer = await client.post("/v1/prescriptions", content=b'{"rep_target": 8}', headers=headers)
    assert answer.status_code == 200


async def test_too_large_a_body_is_413_announced_or_not(service: Service) -> None:
    """The limit holds for Content-Length and for chunked bodies, on every route."""
    large = b" " * (2 * 1024 * 1024 + 1)

    async def chunks() -> AsyncIterator[bytes]:
        for _ in range(33):
            yield b" " * 65_536

    for route in ROUTES.values():
        for body in (large, chunks()):
            answer = await service.client.request(route.method, route.address, content=body, headers=JSON)
            assert_problem(answer, 413)


async def test_hostile_queries_and_headers_are_answered(client: httpx.AsyncClient) -> None:
    """Thousands of parameters, odd bytes, odd request ids."""
    many = "&".join(f"p{n}=1" for n in range(2000))
    assert len(assert_problem(await client.get(f"/v1/muscles?{many}"), 422)["errors"]) == 100
    assert_problem(await client.get("/v1/muscles?%ff=%00"), 422)
    for value in (b"\xff\xfe", b"a b", b"x" * 500, b""):
        odd = {b"x-request-id": value, b"accept": value}
        response = await client.get("/v1/muscles", headers=odd)
        assert response.status_code == 200
        assert response.headers["x-request-id"].isalnum()
    assert_problem(await client.get("/v1/evidence/%00%ff"), 404)
    assert_problem(await client.get("/v1/policies/" + "9" * 5000), 404)
