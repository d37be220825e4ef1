"""Keys in pages: every key once, newest first, also for who sees few of them."""

from datetime import timedelta
from typing import Any

import httpx

from service.api.clock import now
from tests.api.problem_shape import assert_problem
from tests.api.test_key_routes import PAGE, admin, make
from tests.serving import make_key


async def all_pages(client: httpx.AsyncClient, **asked: Any) -> list[dict[str, Any]]:
    """Every key the pages show, first page first, by following the links."""
    found: list[dict[str, Any]] = []
    answer = await client.get(PAGE, params=asked)
    while True:
        body = answer.json()
        found += body["keys"]
        following = answer.links.get("next")
        assert (following is None) == (body["next"] is None)
        assert PAGE in answer.links["first"]["url"]
        if following is None:
            return found
        assert len(body["keys"]) == asked["limit"]
        answer = await client.get(following["url"])


async def test_pages_hold_every_key_once_newest_first(database_url: str) -> None:
    """Whatever the page size, keys made at one moment too, and keys made meanwhile shift nothing."""
    moment = now() - timedelta(days=1)
    made = [(await make_key(database_url, now=moment)).key_id for _ in range(5)]
    made += [(await make_key(database_url, now=moment + timedelta(seconds=n))).key_id for n in range(1, 4)]
    async with admin(database_url) as (client, own):
        for limit in (1, 2, 4, 9, 1000):
            found = [key["key_id"] for key in await all_pages(client, limit=limit)]
            assert found[:4] == [own.key_id, *reversed(made[5:])]
            assert sorted(found) == sorted([own.key_id, *made])
        page = (await client.get(PAGE, params={"limit": 4})).json()
        await make(client)
        rest = (await client.get(PAGE, params={"cursor": page["next"]})).json()
        assert sorted(key["key_id"] for key in rest["keys"]) == sorted(made[:5])


async def test_a_key_bound_to_sites_sees_its_own_behind_any_number_of_others(database_url: str) -> None:
    """Pages are full of what it may see; what lies between shows only in that it is not there."""
    moment = now() - timedelta(days=1)
    mine = [
        (await make_key(database_url, sites=["north"], now=moment + timedelta(minutes=n))).key_id
        for n in range(3)
    ]
    for n in range(12):
        await make_key(database_url, sites=["south"], now=moment + timedelta(hours=n))
    async with admin(database_url, sites=["north"]) as (client, own):
        for limit in (1, 2, 3):
            assert [key["key_id"] for key in await all_pages(client, limit=limit)] == [
                own.key_id,
                *reversed(mine),
            ]


async def test_any_cursor_of_the_right_shape_is_a_place(database_url: str) -> None:
    """The first instant there is and those beyond the last; another shape is refused."""
    async with admin(database_url) as (client, own):
        late = await client.get(PAGE, params={"cursor": "f" * 16 + "z" * 12})
        assert [key["key_id"] for key in late.json()["keys"]] == [own.key_id]
        early = await client.get(PAGE, params={"cursor": "0" * 28})
        assert early.json() == {"keys": [], "next": None}
        for cursor in ("", "x" * 28, "0" * 27, "0" * 28 + "\n"):
            assert_problem(await client.get(PAGE, params={"cursor": cursor}), 422, "cursor")
