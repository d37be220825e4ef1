"""`Prefer: return=minimal` on writes (RFC 7240): the same is done, and the same told, without the body."""

from collections.abc import AsyncIterator

import httpx
import pytest

from tests.api.gym import gym, id_of, path, set_body
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database

MINIMAL = {"prefer": "return=minimal"}
SCOPES = ("prescribe", "history:read", "history:write", "admin")


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client that may do everything."""
    async with gym(database_url, *SCOPES) as found:
        yield found


def assert_bare(answer: httpx.Response, status: int) -> None:
    """An answer without a body, or words of one, that says why."""
    assert (answer.status_code, answer.content) == (status, b"")
    assert answer.headers["preference-applied"] == "return=minimal"
    assert "content-type" not in answer.headers
    assert answer.headers.get("content-length", "0") == "0"


async def test_writes_answer_without_a_body_when_that_is_preferred(client: httpx.AsyncClient) -> None:
    """201 stays 201, 200 becomes 204; what was written is the same, and ETag names it for the next If-Match."""
    made = await client.put(path(), json={"goal": "strength"}, headers=MINIMAL)
    assert_bare(made, 201)
    read = await client.get(path())
    assert (read.json()["goal"], read.headers["etag"]) == ("strength", made.headers["etag"])
    changed = await client.put(path(), json={}, headers=MINIMAL | {"if-match": made.headers["etag"]})
    assert_bare(changed, 204)
    assert changed.headers["etag"] == (await client.get(path())).headers["etag"] != made.headers["etag"]
    assert_bare(await client.post(path("sets"), json={"sets": [set_body(1)]}, headers=MINIMAL), 201)
    assert_bare(await client.post(path("sets"), json={"sets": [set_body(1)]}, headers=MINIMAL), 204)
    corrected = await client.put(path("sets", id_of(1)), json=set_body(1, reps=9), headers=MINIMAL)
    assert_bare(corrected, 204)
    stored = await client.get(path("sets", id_of(1)))
    assert (stored.json()["reps"], stored.headers["etag"]) == (9, corrected.headers["etag"])
    assert_bare(await client.put("/v1/sites/north", headers=MINIMAL), 201)
    assert_bare(await client.put("/v1/sites/north", headers=MINIMAL), 204)


async def test_a_replay_keeps_the_preference_of_its_own_request(client: httpx.AsyncClient) -> None:
    """The first answer again, with or without its body as asked for now; stored once."""
    sent = {"sets": [set_body(1, set_id=None)]}
    keyed = {"idempotency-key": "session-9"}
    first = await client.post(path("sets"), json=sent, headers=keyed | MINIMAL)
    again = await client.post(path("sets"), json=sent, headers=keyed | MINIMAL)
    whole = await client.post(path("sets"), json=sent, headers=keyed)
    assert_bare(first, 201)
    assert_bare(again, 201)
    assert "idempotent-replayed" not in first.headers
    assert again.headers["idempotent-replayed"] == whole.headers["idempotent-replayed"] == "true"
    stored = (await client.get(path("sets"))).json()["sets"]
    assert [whole.json()["set_ids"]] == [[each["set_id"] for each in stored]]


# RFC 7240, section 2: names and tokens in any case, values quoted or not, the first of equals counts.
HEARD = (
    ["return=minimal"],
    ["RETURN=Minimal"],
    ['return="minimal"'],
    ["respond-async, return = minimal; foo"],
    ['handling="a, return=representation", return=minimal'],
    ["wait=10", "return=minimal, return=representation"],
)
PASSED_OVER = (
    "handling=strict",
    "handling=lenient, respond-async",
    "return",
    "return=none, return=minimal",
    "returns=minimal",
    'x="return=minimal"',
    '"',
    "",
    '"' + '\\"' * 200_000,  # a quarter of an hour, were it quadratic, and nobody else is answered meanwhile
    "return=" + " " * 400_000 + 'minimal"',
)


async def test_the_preference_is_read_as_the_standard_writes_it() -> None:
    """Over several fields and beside preferences we do not know; what is not understood is passed over."""
    with fresh_database("sqlite") as url:
        async with gym(url, *SCOPES) as client:
            for number, values in enumerate(HEARD):
                headers = [("prefer", value) for value in values]
                assert_bare(await client.put(f"/v1/sites/north-{number}", headers=headers), 201)
            for prefer in PASSED_OVER:
                answer = await client.put("/v1/sites/north-0", headers={"prefer": prefer})
                assert (answer.status_code, answer.json()["site"]) == (200, "north-0"), prefer[:60]
                assert "preference-applied" not in answer.headers, prefer
            whole = await client.put("/v1/sites/north-0", headers={"prefer": "return=representation"})
            assert whole.json()["site"] == "north-0"
            assert whole.headers["preference-applied"] == "return=representation"


async def test_errors_and_keys_keep_their_bodies() -> None:
    """A problem tells what is wrong; a key that is not shown now is never shown."""
    with fresh_database("sqlite") as url:
        async with gym(url, *SCOPES) as client:
            refused = await client.put(path(), json={"goal": "x"}, headers=MINIMAL)
            assert_problem(refused, 422, "#/goal")
            assert "preference-applied" not in refused.headers
            made = await client.post("/v1/keys", json={"scopes": ["prescribe"]}, headers=MINIMAL)
            assert made.json()["api_key"]
