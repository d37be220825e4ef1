"""Keys over HTTP: an admin lists, makes, rotates and revokes them, and gives nobody what the admin has not."""

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Any

import httpx

from service.api.clock import now
from service.storage.keys import SCOPES, NewKey
from tests.api.gym import GYM, RIVAL, path
from tests.api.problem_shape import assert_problem
from tests.serving import make_key, served

TOKEN = re.compile(r"effk_([0-9A-Za-z]{12})_[0-9A-Za-z]{43}_[0-9A-Za-z]{6}")
PAGE = "/v1/keys"


@asynccontextmanager
async def admin(url: str, *scopes: str, **more: Any) -> AsyncIterator[tuple[httpx.AsyncClient, NewKey]]:
    """Yield a client with a key of every scope, or of these, and the key."""
    key = await make_key(url, *(scopes or SCOPES), **more)
    async with served(url, token=key.token) as client:
        yield client, key


async def make(client: httpx.AsyncClient, **wanted: Any) -> dict[str, Any]:
    """Make a key, by default for prescriptions."""
    answer = await client.post(PAGE, json={"scopes": ["prescribe"]} | wanted)
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    return made


async def ask(client: httpx.AsyncClient, api_key: str) -> int:
    """The status of a prescription with this key."""
    headers = {"authorization": f"Bearer {api_key}"}
    return (await client.post("/v1/prescriptions", json={"rep_target": 8}, headers=headers)).status_code


async def listed(client: httpx.AsyncClient) -> dict[str, dict[str, Any]]:
    """Keys as listed, by id."""
    answer = await client.get(PAGE)
    assert answer.headers["cache-control"] == "no-store"
    return {key["key_id"]: key for key in answer.json()["keys"]}


def instant(text: str) -> datetime:
    """The instant the API wrote."""
    return datetime.fromisoformat(text)


async def test_a_key_is_shown_once_and_works(database_url: str) -> None:
    """With what was asked for; the list never holds it, nor a hash of it."""
    async with admin(database_url) as (client, key):
        await client.put("/v1/sites/north")
        wanted = {"scopes": ["prescribe", "admin", "prescribe"], "sites": ["north"], "label": "till 3"}
        made = await make(client, **wanted, expires_in_days=30)
        secret = made.pop("api_key")
        told = TOKEN.fullmatch(secret)
        assert told is not None
        assert told[1] == made["key_id"]
        assert (made["scopes"], made["sites"], made["label"]) == (["admin", "prescribe"], ["north"], "till 3")
        lifetime = instant(made["expires_at"]) - instant(made["created_at"])
        assert lifetime == timedelta(days=30)
        assert abs(instant(made["created_at"]) - now()) < timedelta(minutes=1)
        assert (await listed(client))[made["key_id"]] == made
        assert await ask(client, secret) == 200
        page = (await client.get(PAGE)).text
        assert secret.split("_")[2] not in page
        assert key.token.split("_")[2] not in page


async def test_keys_are_listed_newest_first_with_their_use(database_url: str) -> None:
    """Revoked ones too; other tenants' never."""
    async with admin(database_url) as (client, key), admin(database_url, tenant=RIVAL) as (rival, _):
        first, second = await make(client), await make(client, label="second")
        await client.delete(f"{PAGE}/{first['key_id']}")
        assert await ask(client, second["api_key"]) == 200
        found = await listed(client)
        assert list(found) == [second["key_id"], first["key_id"], key.key_id]
        assert found[first["key_id"]]["revoked_at"] is not None
        assert found[second["key_id"]]["revoked_at"] is None
        assert key.key_id not in await listed(rival)
    async with admin(database_url) as (client, _):
        assert (await listed(client))[second["key_id"]]["last_used_at"] is not None


BAD: list[tuple[dict[str, Any], list[str]]] = [
    ({}, ["#/scopes"]),
    ({"scopes": []}, ["#/scopes"]),
    ({"scopes": ["root", "admin"]}, ["#/scopes/0"]),
    ({"scopes": ["admin"], "tenant": RIVAL}, ["#/tenant"]),
    ({"scopes": ["admin"], "sites": []}, ["#/sites"]),
    ({"scopes": ["admin"], "sites": ["no site", "-"]}, ["#/sites/0", "#/sites/1"]),
    ({"scopes": ["admin"], "sites": ["unknown"]}, ["#/sites/0"]),
    ({"scopes": ["admin"], "label": "x" * 101}, ["#/label"]),
    ({"scopes": ["admin"], "label": "a\0b"}, ["#/label"]),
    ({"scopes": ["admin"], "label": "a\u202eb"}, ["#/label"]),
    ({"scopes": ["admin"], "expires_in_days": 0}, ["#/expires_in_days"]),
    ({"scopes": ["admin"], "expires_in_days": 36_501}, ["#/expires_in_days"]),
    ({"scopes": "admin", "label": 7}, ["#/scopes", "#/label"]),
]


async def test_a_bad_wish_is_refused_whole(database_url: str) -> None:
    """Every bad place is named; no key is made."""
    async with admin(database_url) as (client, key):
        for body, places in BAD:
            assert_problem(await client.post(PAGE, json=body), 422, *places)
        assert set(await listed(client)) == {key.key_id}


async def test_nobody_gives_a_scope_they_have_not(database_url: str) -> None:
    """Neither by making a key nor by rotating one that has it, which would show its secret."""
    async with admin(database_url, "admin") as (client, key):
        for scope in set(SCOPES) - {"admin"}:
            answer = await client.post(PAGE, json={"scopes": ["admin", scope]})
            assert f"'{scope}'" in assert_problem(answer, 403)["detail"]
        stronger = await make_key(database_url, "admin", "prescribe")
        answer = await client.post(f"{PAGE}/{stronger.key_id}/rotations", json={})
        assert "'prescribe'" in assert_problem(answer, 403)["detail"]
        assert set(await listed(client)) == {key.key_id, stronger.key_id}
        assert (await make(client, scopes=["admin"]))["scopes"] == ["admin"]


async def test_a_key_of_some_sites_manages_keys_of_no_others(database_url: str) -> None:
    """It sees, makes, rotates and revokes keys bound to some of its sites; others are 404, and to be named 422."""
    whole = await make_key(database_url, sites=None)
    other = await make_key(database_url, sites=["south"])
    more = await make_key(database_url, sites=["north", "south"])
    rival = await make_key(database_url, tenant=RIVAL, sites=["north"])
    async with admin(database_url, sites=["north", "east"]) as (client, key):
        mine = await make(client, sites=["north"])
        assert set(await listed(client)) == {key.key_id, mine["key_id"]}
        for wanted in ({}, {"sites": None}, {"sites": ["south"]}, {"sites": ["north", "unknown"]}):
            answer = await client.post(PAGE, json={"scopes": ["prescribe"]} | wanted)
            assert "east, north" in assert_problem(answer, 422)["errors"][0]["detail"]
        for foreign in (whole, other, more, rival):
            assert_problem(await client.delete(f"{PAGE}/{foreign.key_id}"), 404)
            assert_problem(await client.post(f"{PAGE}/{foreign.key_id}/rotations", json={}), 404)
            assert await ask(client, foreign.token) == 200
        rotated = await client.post(f"{PAGE}/{mine['key_id']}/rotations", json={})
        assert rotated.json()["sites"] == ["north"]
        assert (await client.delete(f"{PAGE}/{mine['key_id']}")).status_code == 204


async def test_a_rotation_leaves_two_live_keys(database_url: str) -> None:
    """The successor is shown once; the old key tells who replaced it and when it ends; a second one is 409."""
    async with admin(database_url) as (client, key):
        old = await make(client, label="till 3", scopes=["prescribe", "history:read"])
        answer = await client.post(f"{PAGE}/{old['key_id']}/rotations", json={"overlap_hours": 48})
        assert answer.status_code == 201
        new = answer.json()
        assert TOKEN.fullmatch(new["api_key"]) is not None
        for name in ("label", "scopes", "sites", "expires_at", "revoked_at"):
            assert new[name] == old[name]
        was = (await listed(client))[old["key_id"]]
        assert was["replaced_by"] == new["key_id"]
        assert abs(instant(was["expires_at"]) - now() - timedelta(hours=48)) < timedelta(minutes=1)
        for each in (old, new):
            assert await ask(client, each["api_key"]) == 200
        for key_id in (old["key_id"], new["key_id"]):
            again = await client.post(f"{PAGE}/{key_id}/rotations", json={})
            assert_problem(again, 409, "key_id")
        own = await client.post(f"{PAGE}/{key.key_id}/rotations", json={})
        assert own.status_code == 201
        assert (await client.get(PAGE)).status_code == 200


async def test_an_overlap_is_between_an_hour_and_thirty_days(database_url: str) -> None:
    """A day where nothing is said; else 422, and nothing is rotated."""
    async with admin(database_url) as (client, _):
        for hours in (0, 0.9, 721, -1, "24"):
            old = await make(client)
            answer = await client.post(f"{PAGE}/{old['key_id']}/rotations", json={"overlap_hours": hours})
            assert_problem(answer, 422, "#/overlap_hours")
            assert (await listed(client))[old["key_id"]]["replaced_by"] is None
        for body, hours in (
            ({}, 24),
            ({"overlap_hours": None}, 24),
            ({"overlap_hours": 1}, 1),
            ({"overlap_hours": 720}, 720),
        ):
            old = await make(client)
            assert (await client.post(f"{PAGE}/{old['key_id']}/rotations", json=body)).status_code == 201
            ends = instant((await listed(client))[old["key_id"]]["expires_at"])
            assert abs(ends - now() - timedelta(hours=hours)) < timedelta(minutes=1)


async def test_a_revoked_key_is_over(database_url: str) -> None:
    """204 once, then 404; it cannot be rotated; an unknown id is 404, one that is no id 422."""
    async with admin(database_url) as (client, _):
        made = await make(client)
        place = f"{PAGE}/{made['key_id']}"
        assert (await client.delete(place)).status_code == 204
        assert await ask(client, made["api_key"]) == 401
        assert_problem(await client.delete(place), 404)
        assert_problem(await client.post(f"{place}/rotations", json={}), 404)
        assert_problem(await client.delete(f"{PAGE}/000000000000"), 404)
        assert_problem(await client.delete(f"{PAGE}/short"), 422, "key_id")


async def test_a_revoked_key_leaves_no_keys_behind(database_url: str) -> None:
    """Not even within the seconds for which it was remembered: what it made then would outlive it."""
    async with admin(database_url) as (client, _):
        made = await make(client, scopes=["prescribe", "admin"])
        headers = {"authorization": f"Bearer {made['api_key']}"}
        assert (await client.get(PAGE, headers=headers)).status_code == 200
        await client.delete(f"{PAGE}/{made['key_id']}")
        before = await listed(client)
        refused = await client.post(PAGE, json={"scopes": ["prescribe"]}, headers=headers)
        assert_problem(refused, 401)
        assert await listed(client) == before


async def test_a_key_does_not_revoke_itself(database_url: str) -> None:
    """409: nobody is locked out by a slip; another admin can."""
    async with admin(database_url) as (client, key), admin(database_url) as (second, _):
        assert_problem(await client.delete(f"{PAGE}/{key.key_id}"), 409, "key_id")
        assert (await client.get(PAGE)).status_code == 200
        assert (await second.delete(f"{PAGE}/{key.key_id}")).status_code == 204


async def test_what_is_done_to_keys_is_in_the_audit(database_url: str) -> None:
    """Who made, rotated and revoked which; nothing of the secret or the label. What failed is not."""
    async with admin(database_url) as (client, key):
        made = await make(client, label="canary-label")
        await client.post(PAGE, json={"scopes": ["root"]})
        await client.post(f"{PAGE}/{made['key_id']}/rotations", json={})
        await client.delete(f"{PAGE}/{made['key_id']}")
        await client.delete(f"{PAGE}/{made['key_id']}")
        page = await client.get("/v1/audit")
    told = [(entry["operation"], entry["outcome"], entry["object_id"]) for entry in page.json()["entries"]]
    assert told[:3] == [
        ("revokeKey", "revoked", made["key_id"]),
        ("rotateKey", "changed", made["key_id"]),
        ("createKey", "created", made["key_id"]),
    ]
    assert {entry["actor"] for entry in page.json()["entries"][:3]} == {f"key:{key.key_id}"}
    assert "canary-label" not in page.text
    assert made["api_key"].split("_")[2] not in page.text


async def test_admin_alone_opens_no_lifter(database_url: str) -> None:
    """No scope implies another, this one neither."""
    async with admin(database_url, "admin", tenant=GYM) as (client, _):
        assert_problem(await client.get(path()), 403)
