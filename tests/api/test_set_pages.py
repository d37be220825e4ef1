"""Pages of sets over HTTP: every set exactly once, newest first, whatever happens meanwhile."""

import re
from collections.abc import AsyncIterator
from typing import Any
from uuid import UUID

import httpx
import pytest

from tests.api.gym import day, gym, id_of, log, path, set_body
from tests.api.problem_shape import assert_problem

LINK = re.compile(r'(?:<(/v1/[^>]+)>; rel="next", )?<(/v1/[^>]+)>; rel="first"\Z')
ZEROS = "0" * 48
MOST_PAGES = 100


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


def scattered(number: int, **members: Any) -> dict[str, Any]:
    """Return a set whose id is spread over the whole range of UUIDs."""
    spread = UUID(int=number * 0x9E3779B97F4A7C15F39CC0605CEDC835 % 2**128)
    return set_body(set_id=str(spread), **members)


async def pages(client: httpx.AsyncClient, **query: Any) -> list[list[str]]:
    """Return the set ids of each page, following `next`; it and the Link header say the same."""
    found, place = [], str(httpx.URL(path("sets"), params=query))
    first = httpx.URL(path("sets"), params={name: told for name, told in query.items() if name != "cursor"})
    for _ in range(MOST_PAGES):
        answer = await client.get(place)
        assert answer.status_code == 200, answer.text
        page = answer.json()
        found.append([each["set_id"] for each in page["sets"]])
        link = LINK.match(answer.headers["link"])
        assert link is not None
        assert httpx.URL(link[2]) == first
        if page["next"] is None:
            assert link[1] is None
            return found
        place = link[1]
        assert httpx.URL(place).params["cursor"] == page["next"]
        assert httpx.URL(place).path == path("sets")
    raise AssertionError("the pages do not end")


async def read(client: httpx.AsyncClient, **query: Any) -> list[str]:
    """Return the ids on all pages, one after another."""
    return [set_id for page in await pages(client, **query) for set_id in page]


async def test_pages_hold_every_set_once_newest_first(client: httpx.AsyncClient) -> None:
    """Over many pages, with equal instants across their edges, some written in another offset."""
    written = ("2024-03-04T{:02d}:00:00Z", "2024-03-04T{:02d}:00:00.000+00:00")
    sets = [scattered(n, performed_at=written[n % 2].format(1 + n // 7)) for n in range(1, 60)]
    sets += [scattered(n, performed_at="2024-03-04T10:00:00+05:00") for n in range(60, 65)]
    await log(client, *sets)
    instants = {each["set_id"]: each["performed_at"] for each in sets}
    hours = {set_id: 5 if "+05" in at else int(at[11:13]) for set_id, at in instants.items()}
    wanted = sorted(hours, key=lambda set_id: (hours[set_id], set_id), reverse=True)
    for limit in (1, 4, 7, 63, 64, 500):
        found = await pages(client, limit=limit)
        assert [set_id for page in found for set_id in page] == wanted
        assert all(len(page) == limit for page in found[:-1])
        assert len(found[-1]) > 0


async def test_a_page_holds_100_sets_unless_told_otherwise(client: httpx.AsyncClient) -> None:
    """And up to 500; a page that holds all is the last."""
    await log(client, *(set_body(number) for number in range(1, 502)))
    assert [len(page) for page in await pages(client)] == [100, 100, 100, 100, 100, 1]
    assert [len(page) for page in await pages(client, limit=500)] == [500, 1]
    await client.delete(path("sets", id_of(1)))
    assert [len(page) for page in await pages(client, limit=500)] == [500]


async def test_filters_keep_their_edges(client: httpx.AsyncClient) -> None:
    """`from` is inclusive, `to` exclusive; offsets count; filters go along with every page."""
    names = ("leg_press", "barbell_bench_press")
    await log(client, *(set_body(n, performed_at=day(n), exercise=names[n % 2]) for n in range(1, 11)))

    async def numbers(**query: Any) -> list[int]:
        return [UUID(set_id).int for set_id in await read(client, limit=2, **query)]

    assert await numbers(exercise="leg_press") == [10, 8, 6, 4, 2]
    assert await numbers(**{"from": day(4)}) == [10, 9, 8, 7, 6, 5, 4]
    assert await numbers(to=day(4)) == [3, 2, 1]
    assert await numbers(**{"from": day(3), "to": day(8), "exercise": "barbell_bench_press"}) == [7, 5, 3]
    local = day(4).replace("T18:00:00Z", "T19:00:00+01:00")
    assert await numbers(**{"from": local, "to": day(9)}) == [8, 7, 6, 5, 4]
    assert await numbers(**{"from": day(8), "to": day(3)}) == []
    assert await numbers(**{"from": day(4), "to": day(4)}) == []
    assert await numbers(exercise="leg_extension") == []
    assert await numbers(**{"from": "2000-01-01T00:00:00Z", "to": "2099-12-31T23:59:59Z"}) == [
        *range(10, 0, -1)
    ]


async def test_a_set_added_meanwhile_neither_shifts_nor_repeats(client: httpx.AsyncClient) -> None:
    """Newer sets are not seen any more, older ones are, once each; a deleted set leaves its cursor standing."""
    await log(client, *(set_body(n, performed_at=day(n)) for n in (10, 20, 30, 40, 50)))
    first = (await client.get(path("sets"), params={"limit": 2})).json()
    assert [each["set_id"] for each in first["sets"]] == [id_of(50), id_of(40)]
    await log(client, *(set_body(n, performed_at=day(n)) for n in (15, 45, 60)))
    assert await read(client, limit=2, cursor=first["next"]) == [id_of(n) for n in (30, 20, 15, 10)]
    await client.delete(path("sets", id_of(40)))
    assert await read(client, limit=2, cursor=first["next"]) == [id_of(n) for n in (30, 20, 15, 10)]


async def test_any_48_hex_digits_are_a_cursor(client: httpx.AsyncClient) -> None:
    """A place before, after or among the sets; never an error."""
    await log(client, *(set_body(n) for n in (1, 2, 3)))
    everything = [id_of(n) for n in (3, 2, 1)]
    for cursor, wanted in (
        (ZEROS, []),
        ("7" + "f" * 47, everything),
        ("8" + "0" * 47, []),
        ("f" * 48, []),
        ("0123456789abcdef" * 3, everything),
    ):
        assert await read(client, limit=2, cursor=cursor) == wanted
        bounded = {"from": day(0), "to": day(1), "exercise": "barbell_bench_press", "cursor": cursor}
        assert await read(client, limit=1, **bounded) == wanted


async def test_bad_parameters_are_told_together(client: httpx.AsyncClient) -> None:
    """Unknown, repeated, out of range, not a cursor; before it is looked whether the lifter is there."""
    place = path("sets")
    for limit in ("0", "501", "-1", "1.0", "", "ten", "1e2", "%D9%A1", "9" * 5000):
        assert_problem(await client.get(f"{place}?limit={limit}"), 422, "limit")
    for cursor in ("", "0" * 47, "0" * 49, "g" * 48, ZEROS + "%0A"):
        assert_problem(await client.get(f"{place}?cursor={cursor}"), 422, "cursor")
    query = "page=2&limit=5&limit=6&exercise=Leg%20press&from=yesterday&to=2024-02-30T00:00:00Z&To=x"
    named = ("page", "limit", "exercise", "from", "to", "To")
    assert_problem(await client.get(f"{place}?{query}"), 422, *named)
    assert_problem(await client.get(f"{place}?limit=5"), 404)


async def test_a_plus_that_was_not_escaped_is_explained(client: httpx.AsyncClient) -> None:
    """It comes as a space; the answer says how to write it."""
    await log(client, set_body(1))
    for name in ("from", "to"):
        answer = await client.get(f"{path('sets')}?{name}=2024-03-04T19:00:00+01:00")
        assert "%2B" in assert_problem(answer, 422, name)["errors"][0]["detail"]
    escaped = await client.get(f"{path('sets')}?from=2024-03-04T19:00:00%2B01:00")
    assert [each["set_id"] for each in escaped.json()["sets"]] == [id_of(1)]


async def test_a_lifter_without_sets_has_one_empty_page(client: httpx.AsyncClient) -> None:
    """200, unlike an unknown lifter."""
    assert_problem(await client.get(path("sets")), 404)
    await client.put(path(), json={})
    assert (await client.get(path("sets"))).json() == {"sets": [], "next": None}
