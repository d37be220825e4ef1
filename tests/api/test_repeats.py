"""Requests sent twice with an Idempotency-Key: done once, answered the same, and no key is spent on a failure."""

import asyncio
from collections.abc import AsyncIterator

import httpx
import msgspec
import pytest

from tests.api.gym import LIFTER, MESSAGEPACK, RIVAL, export, gym, log, path, post_sets, set_body
from tests.api.problem_shape import assert_problem

KEY = "Idempotency-Key"
NAMELESS = {"sets": [set_body(1, set_id=None), set_body(2, set_id=None)]}


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


async def post(
    client: httpx.AsyncClient, body: object = None, key: str = "k", lifter: str = LIFTER, **headers: str
) -> httpx.Response:
    """Post sets without ids, or `body`, with the key."""
    sent = NAMELESS if body is None else body
    return await client.post(path("sets", lifter=lifter), json=sent, headers={KEY: key, **headers})


async def test_a_replay_is_the_first_answer_marked_as_one(client: httpx.AsyncClient) -> None:
    """Same status, same bytes, nothing stored again; without the key it would be."""
    first = await post(client)
    assert first.status_code == 201
    assert "idempotent-replayed" not in first.headers
    before = await export(client)
    for _ in range(2):
        again = await post(client)
        assert (again.status_code, again.content) == (201, first.content)
        assert again.headers["idempotent-replayed"] == "true"
        assert again.headers["content-type"] == first.headers["content-type"]
    assert await export(client) == before
    other = await client.post(path("sets"), json=NAMELESS)
    assert (other.status_code, other.json() != first.json()) == (201, True)


async def test_a_replay_comes_in_the_format_asked_for(client: httpx.AsyncClient) -> None:
    """The same ids as JSON and as MessagePack, whichever came first."""
    first = await post(client, accept=MESSAGEPACK)
    again = await post(client)
    assert again.json() == msgspec.msgpack.decode(first.content)
    packed = await post(client, accept=MESSAGEPACK)
    assert (packed.status_code, packed.content) == (201, first.content)
    assert packed.headers["content-type"] == MESSAGEPACK
    assert packed.headers["idempotent-replayed"] == again.headers["idempotent-replayed"] == "true"


async def test_a_200_is_replayed_as_a_200(client: httpx.AsyncClient) -> None:
    """Also after the sets were changed meanwhile: a replay does not look at them."""
    await log(client, set_body(1))
    first = await post(client, {"sets": [set_body(1)]})
    assert first.status_code == 200
    await client.delete(path("sets", set_body(1)["set_id"]))
    again = await post(client, {"sets": [set_body(1)]})
    assert (again.status_code, again.content) == (200, first.content)
    assert (await client.get(path("sets"))).json()["sets"] == []


async def test_a_key_belongs_to_one_body_and_one_lifter(client: httpx.AsyncClient) -> None:
    """Another body or another lifter is 422 at the header, and nothing is stored."""
    await post(client)
    before = await export(client)
    for answer in (
        await post(client, {"sets": [set_body(1)]}),
        await post(client, lifter="another-lifter"),
        await client.post(
            path("sets"),
            content=msgspec.msgpack.encode(NAMELESS),
            headers={KEY: "k", "content-type": MESSAGEPACK},
        ),
    ):
        assert_problem(answer, 422, KEY)
    assert await export(client) == before
    assert_problem(await client.get(path(lifter="another-lifter")), 404)
    assert (await post(client)).headers["idempotent-replayed"] == "true"


async def test_a_key_of_another_tenant_is_another_key(client: httpx.AsyncClient, database_url: str) -> None:
    """Equal requests of two gyms are both done."""
    first = await post(client)
    async with gym(database_url, tenant=RIVAL) as rival:
        other = await post(rival)
        assert (other.status_code, "idempotent-replayed" in other.headers) == (201, False)
        assert set(other.json()["set_ids"]).isdisjoint(first.json()["set_ids"])
        assert (await post(rival, {"sets": [set_body(1)]}, key="k-2")).status_code == 201


async def test_another_key_of_the_same_tenant_shares_the_idempotency_keys(
    client: httpx.AsyncClient, database_url: str
) -> None:
    """A phone that got a new API key may try again."""
    first = await post(client)
    async with gym(database_url) as renewed:
        again = await post(renewed)
    assert (again.content, again.headers["idempotent-replayed"]) == (first.content, "true")


async def test_a_failed_request_leaves_its_key_free(client: httpx.AsyncClient) -> None:
    """After 422 and 409 the mended body may come with the same key."""
    await log(client, set_body(1))
    assert_problem(await post(client, {"sets": [set_body(2, reps=-1)]}), 422, "#/sets/0/reps")
    assert_problem(await post(client, {"sets": [set_body(2, exercise="leg_pres")]}), 422, "#/sets/0/exercise")
    assert_problem(await post(client, {"sets": [set_body(2), set_body(1, reps=9)]}), 409, "#/sets/1/set_id")
    mended = await post(client, {"sets": [set_body(2), set_body(1)]})
    assert (mended.status_code, "idempotent-replayed" in mended.headers) == (201, False)
    assert (await post(client, {"sets": [set_body(2), set_body(1)]})).headers["idempotent-replayed"] == "true"


async def test_a_bad_key_is_a_fault_of_the_header(client: httpx.AsyncClient) -> None:
    """Told beside the faults of the body; the longest key is taken."""
    for key in (b"", b"a b", b"x" * 256, b"\xc3\xa9", b"tab\there"):
        headers = {b"idempotency-key": key}
        answer = await client.post(path("sets"), json=NAMELESS, headers=headers)
        assert_problem(answer, 422, KEY)
        both = await client.post(path("sets"), json={"sets": []}, headers=headers)
        assert_problem(both, 422, KEY, "#/sets")
    assert_problem(await client.get(path()), 404)
    assert (await post(client, key="!~" + "x" * 253)).status_code == 201


async def test_two_keys_are_no_key(client: httpx.AsyncClient) -> None:
    """Nobody can know which of them was meant, so nothing is stored under either."""
    sent = [("idempotency-key", "one"), ("idempotency-key", "other")]
    assert_problem(await client.post(path("sets"), json=NAMELESS, headers=sent), 422, KEY)
    assert_problem(await client.get(path()), 404)


async def test_equal_requests_at_once_are_done_once(client: httpx.AsyncClient) -> None:
    """One is done; the others get its answer, or 409 with Retry-After while it runs."""
    await client.put(path(), json={})
    answers = await asyncio.gather(*(post(client) for _ in range(6)))
    done = [answer for answer in answers if answer.status_code == 201]
    assert len({answer.content for answer in done}) == 1
    assert sum("idempotent-replayed" not in answer.headers for answer in done) == 1
    for answer in answers:
        if answer not in done:
            assert_problem(answer, 409)
            assert int(answer.headers["retry-after"]) > 0
    assert len((await client.get(path("sets"))).json()["sets"]) == 2


async def test_without_a_key_the_set_ids_make_trying_again_safe(client: httpx.AsyncClient) -> None:
    """Equal batches at once store each set once; one is 201, the others 200."""
    batch = [set_body(number) for number in range(1, 6)]
    answers = await asyncio.gather(*(post_sets(client, *batch) for _ in range(5)))
    assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 200, 201]
    assert len({answer.content for answer in answers}) == 1
    assert len((await client.get(path("sets"))).json()["sets"]) == 5
