"""Whatever a client sends, the answer is a problem, never a failure of ours."""

from collections.abc import AsyncIterator
from uuid import UUID

import httpx
import msgspec
import pytest

from tests.api.problem_shape import assert_problem

JSON = {"content-type": "application/json"}
PACKED = {"content-type": "application/vnd.msgpack"}
DEEP_PACK = b"\x91" * 2000 + b"\xc0"
TAKING_BODIES = (
    ("POST", "/v1/prescriptions"),
    ("POST", "/v1/prescriptions/batch"),
    ("POST", "/v1/estimates/one-rep-max"),
    ("POST", "/v1/estimates/repetitions"),
    ("POST", "/v1/estimates/load"),
    ("PUT", "/v1/lifters/a"),
    ("POST", "/v1/lifters/a/sets"),
    ("PUT", f"/v1/lifters/a/sets/{UUID(int=1)}"),
    ("POST", "/v1/lifters/a/prescriptions"),
)

UNREADABLE = {
    "empty": b"",
    "white space": b" \n",
    "not a number": b'{"rep_target": NaN}',
    "infinity": b'{"rep_target": -Infinity}',
    "too large a number": b'{"load_percent_1rm": 1e400}',
    "comment": b'{"rep_target": 8} // eight',
    "text after": b'{"rep_target": 8} {}',
    "byte order mark": b'\xef\xbb\xbf{"rep_target": 8}',
    "utf-16": '{"rep_target": 8}'.encode("utf-16"),
    "invalid utf-8 in a text": b'{"exercise": "\xff\xfe"}',
    "invalid utf-8 in a name": b'{"\xff": 1}',
    "lone surrogate": rb'{"exercise": "\ud800"}',
    "single quotes": b"{'rep_target': 8}",
    "cut off": b'{"rep_target": 8',
    "trailing comma": b'{"rep_target": 8,}',
    "nested 65 deep": b"[" * 65 + b"]" * 65,
    "nested 100,000 deep": b"[" * 100_000,
    "objects nested deep": b'{"a":' * 70_000,
    "nested deep where anything may stand": b'{"contexts": [' + b"[" * 500 + b"]" * 500 + b"]}",
    "escaped quotes in a text without end": b"[" * 65 + b'"' + b'\\"' * 900_000,  # hours, were it quadratic
    "5000 digits": b'{"rep_target": ' + b"9" * 5000 + b"}",
    "form": b"rep_target=8",
    "nul bytes": b"\x00" * 100,
}

REFUSED = {
    "400 digits": b'{"rep_target": ' + b"9" * 400 + b"}",
    "negative 400 digits": b'{"rep_target": -' + b"9" * 400 + b"}",
    "text for number": b'{"rep_target": "8"}',
    "nested 64 deep": b"[" * 64 + b"]" * 64,
    "brackets in a text": b'{"rep_target": "' + b"[" * 1000 + b'"}',
    "nul in a text": rb'{"exercise": "leg\u0000press"}',
    "long text": b'{"exercise": "' + b"a" * 100_000 + b'"}',
    "long member name": b'{"' + b"a" * 100_000 + b'": 1}',
    "many members": b"{" + b",".join(b'"m%d": 1' % n for n in range(5000)) + b"}",
    "boolean for number": b'{"rep_target": true, "load_kg": false, "load_percent_1rm": true}',
    "array": b"[1, 2, 3]",
    "number": b"8",
    "null": b"null",
    "prototype": b'{"__proto__": {"x": 1}, "constructor": 1}',
}


@pytest.mark.parametrize("body", UNREADABLE.values(), ids=UNREADABLE)
async def test_what_cannot_be_read_is_400(client: httpx.AsyncClient, body: bytes) -> None:
    """Not JSON, not UTF-8, or too deep."""
    for method, path in TAKING_BODIES:
        assert_problem(await client.request(method, path, content=body, headers=JSON), 400)


@pytest.mark.parametrize("body", REFUSED.values(), ids=REFUSED)
async def test_what_is_read_but_not_valid_is_422(client: httpx.AsyncClient, body: bytes) -> None:
    """The answer names places and echoes only a little of what was sent."""
    for method, path in TAKING_BODIES:
        response = await client.request(method, path, content=body, headers=JSON)
        problem = assert_problem(response, 422)
        assert problem["errors"]
        assert len(response.content) < 60_000


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
        assert len(response.content) < 60_000
    assert found == 100


PACKS = {
    "garbage": b"\xc1\xc1",
    "empty": b"",
    "cut off": b"\x81\xaarep_target",
    "nested deep": DEEP_PACK,
    "after the value": msgspec.msgpack.encode({"rep_target": 8}) + b"\x01",
    "claimed length": b"\xdd\xff\xff\xff\xff",
    "text that is no utf-8": b"\x81\xa1\xff\x01",
}


@pytest.mark.parametrize("body", PACKS.values(), ids=PACKS)
async def test_hostile_messagepack_is_400(client: httpx.AsyncClient, body: bytes) -> None:
    """MessagePack is read as strictly as JSON."""
    for method, path in TAKING_BODIES:
        assert_problem(await client.request(method, path, content=body, headers=PACKED), 400)


@pytest.mark.parametrize(
    "body",
    [
        msgspec.msgpack.encode(value)
        for value in ({"rep_target": float("nan")}, {8: 1}, {"rep_target": b"8"}, 1e308)
    ]
    + [b"\x81\xaarep_target\xd6\x01abcd"],
)
async def test_odd_messagepack_values_are_refused(client: httpx.AsyncClient, body: bytes) -> None:
    """NaN, extension types, bytes and non-text names never reach the rules."""
    response = await client.post("/v1/prescriptions", content=body, headers=PACKED)
    assert response.status_code in {400, 422}
    assert_problem(response, response.status_code)


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
async def test_other_content_types_are_415(client: httpx.AsyncClient, headers: dict[str, str]) -> None:
    """Also when the bytes would have been JSON."""
    response = await client.post("/v1/prescriptions", content=b'{"rep_target": 8}', headers=headers)
    assert_problem(response, 415)


async def test_charset_utf_8_is_taken(client: httpx.AsyncClient) -> None:
    """Many clients send it."""
    headers = {"content-type": "Application/JSON; Charset=UTF-8"}
    assert (
        await client.post("/v1/prescriptions", content=b'{"rep_target": 8}', headers=headers)
    ).status_code == 200


async def test_too_large_a_body_is_413_announced_or_not(client: httpx.AsyncClient) -> None:
    """The limit holds for Content-Length and for chunked bodies."""
    large = b" " * (2 * 1024 * 1024 + 1)

    async def chunks() -> AsyncIterator[bytes]:
        for _ in range(33):
            yield b" " * 65_536

    assert_problem(await client.post("/v1/prescriptions", content=large, headers=JSON), 413)
    assert_problem(await client.post("/v1/prescriptions", content=chunks(), headers=JSON), 413)


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
