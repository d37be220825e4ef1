"""Quotas in one process: what is let in, what each request costs, what is told. The clock moves when told to."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import httpx
import pytest

from tests.api.gym import path, set_body
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import make_key, served

ONE = {"rep_target": 8}
PATH = "/v1/prescriptions"
BATCH = "/v1/prescriptions/batch"
ALL = ("prescribe", "history:read", "history:write")


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.seconds = 5000.0

    def __call__(self) -> float:
        """Return the present instant."""
        return self.seconds


@pytest.fixture
def clock() -> Clock:
    """A clock that stands still."""
    return Clock()


Opened = Callable[..., Any]


@pytest.fixture(params=[True, False], ids=["shortcut", "documented way"])
async def opened(request: pytest.FixtureRequest, clock: Clock) -> AsyncIterator[Opened]:
    """Opens a client with a key of its own under the limits of a test, one way and the other."""
    with fresh_database("sqlite") as url:

        @asynccontextmanager
        async def open_client(per_key: int, per_tenant: int = 0) -> AsyncIterator[httpx.AsyncClient]:
            key = await make_key(url, *ALL)
            limits = {
                "EFFORT_RATE_LIMIT_PER_MINUTE": str(per_key),
                "EFFORT_TENANT_RATE_LIMIT_PER_MINUTE": str(per_tenant),
            }
            shortcut = bool(request.param)
            async with served(url, token=key.token, shortcut=shortcut, monotonic=clock, **limits) as client:
                client.url = url  # type: ignore[attr-defined]  # for more keys on the same database
                yield client

        yield open_client


async def ask(client: httpx.AsyncClient, **more: Any) -> httpx.Response:
    """Return the answer to one context."""
    return await client.post(PATH, json=ONE, **more)


async def ask_for(client: httpx.AsyncClient, contexts: int) -> httpx.Response:
    """Return the answer to so many contexts in one call."""
    return await client.post(BATCH, json={"contexts": [ONE] * contexts})


def told(answer: httpx.Response) -> tuple[int, str, str | None]:
    """Return status, RateLimit and Retry-After."""
    return answer.status_code, answer.headers["ratelimit"], answer.headers.get("retry-after")


async def test_the_quota_is_let_in_to_the_item_and_told_on_the_way(opened: Opened) -> None:
    """Five a minute: five answers and a refusal, each with what is left and for how long."""
    async with opened(5) as client:
        answers = [await ask(client) for _ in range(6)]
    assert [told(answer) for answer in answers] == [
        (200, '"key";r=4;t=48', None),
        (200, '"key";r=3;t=36', None),
        (200, '"key";r=2;t=24', None),
        (200, '"key";r=1;t=12', None),
        (200, '"key";r=0;t=12', None),
        (429, '"key";r=0;t=12', "12"),
    ]
    assert {answer.headers["ratelimit-policy"] for answer in answers} == {'"key";q=5;w=60'}
    problem = assert_problem(answers[-1], 429)
    assert problem["type"] == "/problems/too-many-requests"
    assert "12 s" in problem["detail"]


async def test_waiting_as_told_is_enough_and_a_second_less_is_not(opened: Opened, clock: Clock) -> None:
    """Retry-After is the whole wait and no more of it than rounding up."""
    async with opened(5) as client:
        for _ in range(5):
            await ask(client)
        refused = await ask(client)
        clock.seconds += int(refused.headers["retry-after"]) - 1
        assert (await ask(client)).status_code == 429
        clock.seconds += 1
        assert (await ask(client)).status_code == 200
        assert (await ask(client)).status_code == 429


async def test_the_bucket_never_holds_more_than_a_minutes_quota(opened: Opened, clock: Clock) -> None:
    """An hour away saves nothing up."""
    async with opened(5) as client:
        assert (await ask(client)).status_code == 200
        clock.seconds += 3600
        assert [(await ask(client)).status_code for _ in range(6)] == [200] * 5 + [429]


@pytest.mark.parametrize(
    ("method", "where", "sent", "status", "cost"),
    [
        ("POST", PATH, {"json": ONE}, 200, 1),
        ("POST", BATCH, {"json": {"contexts": [ONE] * 7}}, 200, 7),
        ("POST", BATCH, {"json": {"contexts": [ONE, {}, 3]}}, 200, 3),
        ("POST", path("sets"), {"json": {"sets": [set_body(1), set_body(2), set_body(3)]}}, 201, 3),
        ("PUT", path(), {"json": {"experience": "novice"}}, 201, 1),
        ("GET", path("state"), {}, 404, 1),
        ("HEAD", path("state"), {}, 404, 1),
        ("POST", PATH, {"json": {}}, 422, 1),
        ("POST", PATH + "?x=1", {"json": ONE}, 422, 1),
        ("POST", PATH, {"content": b"{", "headers": {"content-type": "application/json"}}, 400, 1),
        ("POST", PATH, {"content": b"{}", "headers": {"content-type": "text/plain"}}, 415, 1),
        (
            "POST",
            PATH,
            {"content": b" " * 3_000_000, "headers": {"content-type": "application/json"}},
            413,
            1,
        ),
        ("POST", BATCH, {"json": {"contexts": [ONE] * 1001}}, 422, 1),
        ("POST", path("sets"), {"json": {"sets": [{}] * 20}}, 422, 1),
    ],
)
async def test_a_request_costs_what_it_asks_for(
    opened: Opened, method: str, where: str, sent: dict[str, Any], status: int, cost: int
) -> None:
    """An item for each context and set, one for anything else, one for what fails; never another."""
    async with opened(1000) as client:
        await ask(client)  # the key is now remembered
        answer = await client.request(method, where, **sent)
    assert answer.status_code == status, answer.text
    assert answer.headers["ratelimit"] == f'"key";r={999 - cost};t=60'


@pytest.mark.parametrize(
    ("method", "where", "headers", "status"),
    [
        ("GET", "/v1/exercises", {}, 200),
        ("GET", "/health/live", {}, 200),
        ("GET", "/nowhere", {}, 404),
        ("GET", PATH, {}, 405),
        ("POST", PATH, {"authorization": "Bearer no"}, 401),
        ("POST", PATH, {"authorization": ""}, 401),
    ],
)
async def test_what_needs_no_key_or_has_none_takes_nothing(
    opened: Opened, method: str, where: str, headers: dict[str, str], status: int
) -> None:
    """Open addresses and strangers leave a quota alone, and are not told of one."""
    async with opened(10) as client:
        answer = await client.request(method, where, headers=headers)
        assert answer.status_code == status
        assert "ratelimit" not in answer.headers
        assert (await ask(client)).headers["ratelimit"] == '"key";r=9;t=54'


async def test_a_key_without_the_scope_takes_nothing(opened: Opened) -> None:
    """403 comes before any cost."""
    async with opened(10) as client:
        other = await make_key(client.url, "history:read")
        answer = await ask(client, headers={"authorization": f"Bearer {other.token}"})
        assert_problem(answer, 403)
        assert "ratelimit" not in answer.headers


async def test_what_is_refused_costs_nothing(opened: Opened) -> None:
    """Four do not go into two, and the two are still there."""
    async with opened(10) as client:
        assert told(await ask_for(client, 8)) == (200, '"key";r=2;t=12', None)
        assert told(await ask_for(client, 4)) == (429, '"key";r=2;t=12', "12")
        assert [(await ask(client)).status_code for _ in range(3)] == [200, 200, 429]


async def test_what_costs_more_than_a_bucket_waits_for_a_full_one_and_leaves_it_in_debt(
    opened: Opened, clock: Clock
) -> None:
    """12 contexts at 5 a minute: never out of reach, and the mean stays 5 a minute."""
    async with opened(5) as client:
        await ask(client)
        assert told(await ask_for(client, 12)) == (429, '"key";r=4;t=12', "12")
        clock.seconds += 12
        assert told(await ask_for(client, 12)) == (200, '"key";r=0;t=96', None)
        assert told(await ask(client)) == (429, '"key";r=0;t=96', "96")
        clock.seconds += 95
        assert (await ask(client)).status_code == 429
        clock.seconds += 1
        assert [(await ask(client)).status_code for _ in range(2)] == [200, 429]


async def test_keys_of_a_tenant_share_its_quota_and_keep_their_own(opened: Opened) -> None:
    """5 a key, 8 a tenant: the second key has three left; what the tenant refuses does not empty the key."""
    async with opened(5, 8) as client:
        second = await make_key(client.url)
        theirs = {"authorization": f"Bearer {second.token}"}
        stranger = await make_key(client.url, tenant="mill-lane-gym")
        assert [(await ask(client)).status_code for _ in range(6)] == [200] * 5 + [429]
        answers = [await ask(client, headers=theirs) for _ in range(4)]
        other = await ask(client, headers={"authorization": f"Bearer {stranger.token}"})
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429]
    assert told(answers[2]) == (200, '"key";r=2;t=24, "tenant";r=0;t=8', None)
    assert told(answers[3]) == (429, '"key";r=2;t=8, "tenant";r=0;t=8', "8")
    assert answers[3].headers["ratelimit-policy"] == '"key";q=5;w=60, "tenant";q=8;w=60'
    assert told(other) == (200, '"key";r=4;t=48, "tenant";r=7;t=53', None)


@pytest.mark.parametrize(("per_key", "per_tenant", "policy"), [(0, 0, None), (0, 3, '"tenant";q=3;w=60')])
async def test_zero_is_off(opened: Opened, per_key: int, per_tenant: int, policy: str | None) -> None:
    """What is off neither limits nor speaks."""
    async with opened(per_key, per_tenant) as client:
        answers = [await ask(client) for _ in range(4)]
    assert {answer.headers.get("ratelimit-policy") for answer in answers} == {policy}
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429 if per_tenant else 200]
    assert all(("ratelimit" in answer.headers) == bool(per_tenant) for answer in answers)


async def test_an_empty_bucket_is_told_before_the_body_is_looked_at(opened: Opened) -> None:
    """Who is over the quota cannot make the service read, decode or explain anything."""
    async with opened(1) as client:
        await ask(client)
        for sent in ({"content": b"{"}, {"content": b" " * 3_000_000}, {"json": {}}):
            assert_problem(await client.post(PATH, **sent), 429)


async def test_open_addresses_and_other_keys_are_served_while_one_is_over(opened: Opened) -> None:
    """One key's flood is its own."""
    async with opened(1) as client:
        other = await make_key(client.url)
        await ask(client)
        assert (await ask(client)).status_code == 429
        assert (await client.get("/v1/muscles")).status_code == 200
        answer = await ask(client, headers={"authorization": f"Bearer {other.token}"})
        assert answer.status_code == 200


async def test_the_default_is_60000_items_a_minute_for_a_key() -> None:
    """As the contract has it."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with served(url, token=key.token, monotonic=Clock()) as client:
            answer = await ask(client)
    assert answer.headers["ratelimit-policy"] == '"key";q=60000;w=60'
    assert answer.headers["ratelimit"] == '"key";r=59999;t=60'


async def test_both_ways_refuse_alike(clock: Clock) -> None:
    """The shortcut and the documented way: same statuses, headers and words, over the limit and after."""
    told_by_way = []
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        for shortcut in (True, False):
            clock.seconds, answers = 5000.0, []
            limits = {"EFFORT_RATE_LIMIT_PER_MINUTE": "3", "EFFORT_TENANT_RATE_LIMIT_PER_MINUTE": "4"}
            async with served(url, token=key.token, shortcut=shortcut, monotonic=clock, **limits) as client:
                for _ in range(8):
                    answers.append(await ask(client, headers={"x-request-id": "same"}))
                    clock.seconds += 7
            told_by_way.append(
                [(each.status_code, sorted(each.headers.items()), each.content) for each in answers]
            )
    assert told_by_way[0] == told_by_way[1]
    assert {status for status, _, _ in told_by_way[0]} == {200, 429}
