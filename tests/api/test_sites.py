"""Sites over HTTP: made and deleted by an admin of the whole tenant; lifters belong to the sites of the keys."""

from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from typing import Any

import httpx
import pytest

from service.storage.keys import SCOPES
from tests.api.gym import path, post_sets, set_body
from tests.api.problem_shape import assert_problem
from tests.serving import make_key, served

Clients = dict[str, httpx.AsyncClient]
BOUND: dict[str, list[str] | None] = {
    "whole": None,
    "north": ["north"],
    "south": ["south"],
    "both": ["north", "south"],
}


@pytest.fixture
async def clients(database_url: str) -> AsyncIterator[Clients]:
    """Clients of one tenant, each with every scope and bound to some sites, or to none."""
    async with AsyncExitStack() as stack:
        found = {}
        for name, sites in BOUND.items():
            key = await make_key(database_url, *SCOPES, sites=sites)
            found[name] = await stack.enter_async_context(served(database_url, token=key.token))
        yield found


async def put(client: httpx.AsyncClient, **profile: Any) -> httpx.Response:
    """Put a profile of the lifter of these tests."""
    return await client.put(path(), json=profile)


async def test_sites_are_made_listed_and_deleted(clients: Clients) -> None:
    """201, then 200; by name; 204, then 404. A name that is none is 422."""
    whole = clients["whole"]
    first = await whole.put("/v1/sites/east")
    again = await whole.put("/v1/sites/east")
    assert [(answer.status_code, answer.json()["site"]) for answer in (first, again)] == [
        (201, "east"),
        (200, "east"),
    ]
    assert first.json() == again.json()
    listed = (await whole.get("/v1/sites")).json()["sites"]
    assert [site["site"] for site in listed] == ["east", "north", "south"]
    assert listed[0] == first.json()
    assert (await whole.delete("/v1/sites/east")).status_code == 204
    assert_problem(await whole.delete("/v1/sites/east"), 404)
    for name in ("a%20b", "-x", "x" * 65, "%00", "a%0A"):
        assert_problem(await whole.put(f"/v1/sites/{name}"), 422, "site")
    entries = (await whole.get("/v1/audit", params={"limit": 2})).json()["entries"]
    told = [(entry["operation"], entry["outcome"], entry["object_id"]) for entry in entries]
    assert told == [("deleteSite", "deleted", "east"), ("putSite", "created", "east")]


async def test_a_site_in_use_is_not_deleted(clients: Clients) -> None:
    """409 with what is in the way, as long as it is."""
    whole = clients["whole"]
    await whole.put("/v1/sites/east")
    await put(whole, site="east")
    for site in ("east", "north"):
        assert_problem(await whole.delete(f"/v1/sites/{site}"), 409, "site")
    await whole.delete(path())
    assert (await whole.delete("/v1/sites/east")).status_code == 204


async def test_keys_of_sites_see_their_sites_and_manage_none(clients: Clients) -> None:
    """The list holds theirs; making, deleting and the audit are the whole tenant's: 403 that says so."""
    north = clients["north"]
    assert [site["site"] for site in (await north.get("/v1/sites")).json()["sites"]] == ["north"]
    for answer in (
        await north.put("/v1/sites/north"),
        await north.put("/v1/sites/east"),
        await north.delete("/v1/sites/south"),
        await north.get("/v1/audit"),
        await north.get("/v1/audit/00000000-0000-0000-0000-000000000000"),
    ):
        assert assert_problem(answer, 403)["type"] == "/problems/bound-to-sites"


async def test_a_lifter_belongs_to_the_site_of_the_key_that_made_it(clients: Clients) -> None:
    """By profile or by sets; keys of that site and of the whole tenant see it, others do not."""
    assert (await put(clients["north"])).json()["site"] == "north"
    assert (await post_sets(clients["south"], set_body(), lifter="other")).status_code == 201
    seen = {
        name: [
            (await client.get(path())).status_code,
            (await client.get(path(lifter="other"))).status_code,
        ]
        for name, client in clients.items()
    }
    assert seen == {"whole": [200, 200], "north": [200, 404], "south": [404, 200], "both": [200, 200]}
    assert (await clients["whole"].get(path(lifter="other"))).json()["site"] == "south"


async def test_a_lifter_without_a_site_is_seen_by_the_whole_tenant_only(clients: Clients) -> None:
    """Until it is told where the lifter belongs."""
    assert (await put(clients["whole"])).json()["site"] is None
    for name in ("north", "both"):
        assert_problem(await clients[name].get(path()), 404)
    assert (await put(clients["whole"], site="north")).status_code == 200
    assert (await clients["north"].get(path())).status_code == 200


async def test_a_key_of_several_sites_names_the_one_of_a_new_lifter(clients: Clients) -> None:
    """422 names the choice, for profiles and for sets; then it may leave it out."""
    both = clients["both"]
    told = assert_problem(await put(both), 422, "#/site")["errors"][0]["detail"]
    assert "north, south" in told
    assert_problem(await post_sets(both, set_body()), 422, "lifter_id")
    assert_problem(await clients["whole"].get(path()), 404)
    made = await put(both, site="south")
    assert (made.status_code, made.json()["site"]) == (201, "south")
    assert (await put(both, goal="power")).json()["site"] == "south"
    assert (await post_sets(both, set_body())).status_code == 201


async def test_a_lifter_moves_between_sites_of_one_key(clients: Clients) -> None:
    """With all sets; whoever sees one of the sites only can neither send nor fetch it."""
    await put(clients["north"])
    await post_sets(clients["north"], set_body())
    assert_problem(await put(clients["north"], site="south"), 422, "#/site")
    moved = await put(clients["both"], site="south")
    assert (moved.status_code, moved.json()["site"]) == (200, "south")
    assert_problem(await clients["north"].get(path("sets")), 404)
    assert len((await clients["south"].get(path("sets"))).json()["sets"]) == 1


async def test_a_site_has_to_be_known(clients: Clients) -> None:
    """To the whole tenant any of its sites; to a key its own, and it learns of no others."""
    assert (
        "PUT"
        in assert_problem(await put(clients["whole"], site="east"), 422, "#/site")["errors"][0]["detail"]
    )
    for site in ("south", "east"):
        told = assert_problem(await put(clients["north"], site=site), 422, "#/site")["errors"][0]["detail"]
        assert told == "must be one of north"
    for site in ("", "a b", "x" * 65, 7):
        assert_problem(await put(clients["whole"], site=site), 422, "#/site")


async def test_an_id_taken_at_another_site_is_404_to_write(clients: Clients) -> None:
    """Nothing is overwritten or shown; for keys that have to name a site it is as for an unknown id."""
    await put(clients["north"], goal="power", cautions=["pregnancy"])
    await post_sets(clients["north"], set_body(1, note="of north"))
    before = (await clients["north"].get(path("export"))).content
    south = clients["south"]
    assert_problem(await put(south), 404)
    assert_problem(await put(south, site="south"), 404)
    assert_problem(await post_sets(south, set_body(2)), 404)
    assert_problem(await post_sets(south, set_body(1, note="of north")), 404)
    assert_problem(await south.put(path(), json={}, headers={"if-match": "*"}), 412)
    assert (await clients["north"].get(path("export"))).content == before


async def test_answers_kept_for_replay_stay_within_the_sites(clients: Clients) -> None:
    """The same Idempotency-Key and body of another site is another request: no replay, no hint."""
    first = await post_sets(clients["north"], set_body(), idempotency_key="monday")
    again = await post_sets(clients["north"], set_body(), idempotency_key="monday")
    assert again.headers["idempotent-replayed"] == "true"
    assert again.json() == first.json()
    assert_problem(await post_sets(clients["south"], set_body(), idempotency_key="monday"), 404)
    other = await post_sets(clients["south"], set_body(), lifter="other", idempotency_key="monday")
    assert other.status_code == 201
    assert "idempotent-replayed" not in other.headers


async def test_a_prescription_for_somebody_of_another_site_is_a_cold_start(clients: Clients) -> None:
    """As for an unknown lifter, to the letter."""
    await put(clients["north"], cautions=["pregnancy"], experience="novice")
    await post_sets(clients["north"], set_body(), set_body(2, set_endpoint="momentary_failure"))
    asked = {"rep_target": 8, "exercise": "barbell_bench_press", "load_kg": 80, "at": "2026-01-01T00:00:00Z"}
    known = await clients["north"].post(path("prescriptions"), json=asked)
    there = await clients["south"].post(path("prescriptions"), json=asked)
    nowhere = await clients["south"].post(path("prescriptions", lifter="nobody"), json=asked)
    assert there.json() == nowhere.json()
    assert known.json() != there.json()


async def test_a_key_that_outlived_its_site_puts_nobody_there(clients: Clients, database_url: str) -> None:
    """Revoked elsewhere, and remembered here for seconds: it makes no lifter at a site that is gone."""
    key = await make_key(database_url, *SCOPES, sites=["east"])
    async with served(database_url, token=key.token, monotonic=lambda: 0.0) as east:
        assert_problem(await east.get(path()), 404)
        assert (await clients["whole"].delete(f"/v1/keys/{key.key_id}")).status_code == 204
        assert (await clients["whole"].delete("/v1/sites/east")).status_code == 204
        for answer in (await put(east), await put(east, site="east"), await post_sets(east, set_body())):
            assert_problem(answer, 401)
    assert_problem(await clients["whole"].get(path()), 404)
