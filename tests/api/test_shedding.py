"""How many requests are worked on at once, and how long one may take: what is refused, cut short, and left whole."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial

import httpx
import pytest

from service.api.shedding import NEVER_SHED
from tests.api.gym import gym, path, post_sets, set_body
from tests.api.locks import locked, slow_to_commit
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import make_key, served

PATH = "/v1/prescriptions"
JSON = {"content-type": "application/json"}
ONE = {"rep_target": 8}
TWO_AT_ONCE, ONE_AT_ONCE = {"EFFORT_MAX_IN_FLIGHT": "2"}, {"EFFORT_MAX_IN_FLIGHT": "1"}
ONE_SECOND, TRIES = {"EFFORT_REQUEST_SECONDS": "1"}, 10


async def status(client: httpx.AsyncClient) -> int:
    """Return the status of the answer to one context."""
    return (await client.post(PATH, json=ONE)).status_code


async def all_places_are_taken(client: httpx.AsyncClient) -> None:
    """Let started requests get to where they wait."""
    for _ in range(TRIES):
        await asyncio.sleep(0.1)
        if (await client.get("/v1/muscles")).status_code == 503:
            return


async def again(send: Callable[[], Awaitable[httpx.Response]]) -> httpx.Response:
    """Send, and again where the one second was over: on a busy machine it may be."""
    for _ in range(TRIES - 1):
        answer = await send()
        if answer.status_code != 503:
            return answer
    return await send()


class Trickle:
    """A body whose last part comes when told to."""

    def __init__(self) -> None:
        self.waits = asyncio.Event()
        self.goes_on = asyncio.Event()

    async def __call__(self) -> AsyncIterator[bytes]:
        """Yield the parts."""
        yield b'{"rep_ta'
        self.waits.set()
        await self.goes_on.wait()
        yield b'rget": 8}'


async def test_more_than_so_many_at_once_are_refused_and_may_try_again(database_url: str) -> None:
    """Two wait for the database, a third is told so at once; afterwards all is as before."""
    async with gym(database_url, **TWO_AT_ONCE) as client:
        await status(client)
        async with locked(database_url):
            waiting = [asyncio.create_task(post_sets(client, set_body(n), lifter=f"l-{n}")) for n in (1, 2)]
            await all_places_are_taken(client)
            refused = [await client.post(PATH, json=ONE), await client.get("/v1/muscles")]
            assert not any(each.done() for each in waiting)
            exempt = [(await client.get(where)).status_code for where in sorted(NEVER_SHED)]
        for answer in refused:
            problem = assert_problem(answer, 503)
            assert (problem["type"], answer.headers["retry-after"]) == ("/problems/overloaded", "5")
        assert 503 not in exempt
        assert [(await each).status_code for each in waiting] == [201, 201]
        assert await status(client) == 200


async def test_a_refused_head_request_has_no_body(database_url: str) -> None:
    """As RFC 9110 has it."""
    async with gym(database_url, **ONE_AT_ONCE) as client:
        async with locked(database_url):
            waiting = asyncio.create_task(post_sets(client, set_body(1)))
            await all_places_are_taken(client)
            answer = await client.head("/v1/muscles")
        assert (answer.status_code, answer.content) == (503, b"")
        assert (await waiting).status_code == 201


async def test_bodies_that_trickle_in_take_nobodys_place() -> None:
    """Twenty slow callers on a service that works on one request at a time."""
    with fresh_database("sqlite") as url:
        async with gym(url, **ONE_AT_ONCE) as client:
            await status(client)
            bodies = [Trickle() for _ in range(20)]
            slow = [asyncio.create_task(client.post(PATH, content=each(), headers=JSON)) for each in bodies]
            for each in bodies:
                await each.waits.wait()
            assert [await status(client) for _ in range(3)] == [200, 200, 200]
            for each in bodies:
                each.goes_on.set()
            assert {(await each).status_code for each in slow} == {200}
            assert await status(client) == 200


@pytest.mark.parametrize("shortcut", [True, False], ids=["shortcut", "documented way"])
@pytest.mark.parametrize("first", [b"", b'{"rep_ta'], ids=["nothing", "a part"])
async def test_a_body_that_does_not_come_ends_the_request(shortcut: bool, first: bytes) -> None:
    """408, not 5xx: it is the caller who is slow. The connection is to be closed."""

    async def never() -> AsyncIterator[bytes]:
        if first:
            yield first
        await asyncio.Event().wait()

    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with served(url, token=key.token, shortcut=shortcut, **ONE_SECOND, **ONE_AT_ONCE) as client:
            await status(client)
            headers = JSON | {"content-length": "17"}
            began = time.monotonic()
            answer = await client.post(PATH, content=never(), headers=headers)
            assert 0.9 < time.monotonic() - began < 30
            problem = assert_problem(answer, 408)
            assert problem["type"] == "/problems/body-too-slow"
            assert answer.headers["connection"] == "close"
            assert await status(client) == 200


async def test_what_takes_too_long_is_ended_and_rolled_back(database_url: str) -> None:
    """More of them than the pool has connections; nothing is stored, nothing stays locked, the next one works."""
    async with gym(database_url, **ONE_SECOND) as client:
        await asyncio.gather(*(client.get(path()) for _ in range(15)))  # connects
        async with locked(database_url):
            began = time.monotonic()
            sent = [post_sets(client, set_body(n), lifter=f"l-{n}") for n in range(15)]
            answers = await asyncio.gather(*sent)
            # SQLite gives up its own wait for a lock after five; one by one, fifteen would take fifteen.
            assert 0.9 < time.monotonic() - began < 14
        for answer in answers:
            problem = assert_problem(answer, 503)
            assert (problem["type"], answer.headers["retry-after"]) == ("/problems/took-too-long", "5")
        for n in range(15):
            lifter = f"l-{n}"
            assert (await again(partial(client.get, path(lifter=lifter)))).status_code == 404
            post = partial(post_sets, client, set_body(n), lifter=lifter)
            assert (await again(post)).status_code == 201


async def test_the_same_idempotency_key_works_after_a_time_out(database_url: str) -> None:
    """What was rolled back leaves no half-finished record behind: the retry is the first one."""
    async with gym(database_url, **ONE_SECOND) as client:
        async with locked(database_url):
            assert_problem(await post_sets(client, set_body(1), idempotency_key="k"), 503)
        second = await again(partial(post_sets, client, set_body(1), idempotency_key="k"))
        assert second.status_code == 201
        assert "idempotent-replayed" not in second.headers


async def test_a_commit_under_way_is_not_cut_and_told_as_it_was() -> None:
    """Committing takes twice the time there is: the sets are stored, and the answer says so."""
    with fresh_database("postgresql") as url:
        async with gym(url, EFFORT_REQUEST_SECONDS="2") as client:
            # Connected, and all statements prepared: what comes before the commit has to be over within the time.
            assert (await post_sets(client, set_body(2), lifter="before")).status_code == 201
            await slow_to_commit(url, 4.0)
            began = time.monotonic()
            answer = await post_sets(client, set_body(1), idempotency_key="k")
            assert answer.status_code == 201, answer.text
            assert time.monotonic() - began >= 4
            assert (await client.get(path("sets"))).json()["sets"][0]["set_id"] == set_body(1)["set_id"]
            replayed = await post_sets(client, set_body(1), idempotency_key="k")
            assert replayed.headers["idempotent-replayed"] == "true"


async def test_a_refused_request_costs_nothing_and_has_its_own_name(database_url: str) -> None:
    """Shedding comes before keys and quotas."""
    async with gym(database_url, **ONE_AT_ONCE, EFFORT_RATE_LIMIT_PER_MINUTE="3") as client:
        async with locked(database_url):
            waiting = asyncio.create_task(post_sets(client, set_body(1)))
            await all_places_are_taken(client)
            answer = await client.post(PATH, json=ONE, headers={"x-request-id": "gym-7"})
            assert assert_problem(answer, 503)["request_id"] == "gym-7"
            assert "ratelimit" not in answer.headers
        assert (await waiting).status_code == 201
        assert [await status(client) for _ in range(3)] == [200, 200, 429]
