"""Sandboxes: test keys that look like such, reach nothing real, and empty what they tried out in one call."""

import re

import httpx
import pytest

from service.api.clock import now
from service.storage.engine import close_store, open_store, reading
from service.storage.key_token import _checksum as checksum
from service.storage.keys import NewKey, find_principal
from tests.api.gym import GYM, LIFTER, export, id_of, log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.serving import make_key, served

SANDBOX = f"{GYM}.sandbox"
SCOPES = ("prescribe", "history:read", "history:write", "admin")
TEST_KEY = re.compile(r"efft_[0-9A-Za-z]{12}_[0-9A-Za-z]{43}_[0-9A-Za-z]{6}\Z")


async def made_over_http(client: httpx.AsyncClient, key: NewKey) -> list[str]:
    """Return the texts of keys that the API makes and rotates for a tenant."""
    made = (await client.post("/v1/keys", json={"scopes": ["prescribe"]})).json()
    rotated = (await client.post(f"/v1/keys/{key.key_id}/rotations", json={})).json()
    return [made["api_key"], rotated["api_key"]]


async def test_every_key_of_a_sandbox_is_seen_to_be_a_test_key(database_url: str) -> None:
    """However it is made; keys of other tenants never are."""
    test, real = await make_key(database_url, *SCOPES, tenant=SANDBOX), await make_key(database_url, *SCOPES)
    async with served(database_url, token=test.token) as client:
        texts = [test.token, *await made_over_http(client, test)]
    assert all(TEST_KEY.match(text) for text in texts)
    async with served(database_url, token=real.token) as client:
        texts = [real.token, *await made_over_http(client, real)]
    assert all(text.startswith("effk_") for text in texts)


async def test_no_key_becomes_a_test_key_by_its_looks(database_url: str) -> None:
    """Another beginning makes it another key, which nobody has."""
    store = open_store(database_url)
    try:
        for tenant, other in ((GYM, "efft"), (SANDBOX, "effk")):
            key = await make_key(database_url, *SCOPES, tenant=tenant)
            async with reading(store) as r:
                found = await find_principal(r, key.token, now=now())
                assert found is not None
                assert found.sandbox is (tenant == SANDBOX)
                assert await find_principal(r, other + key.token[4:], now=now()) is None
                body = other + key.token[4:].rpartition("_")[0]
                forged = f"{body}_{checksum(body)}"
                assert await find_principal(r, forged, now=now()) is None
    finally:
        await close_store(store)


async def test_a_sandbox_is_emptied_in_one_call_and_nothing_else_is(database_url: str) -> None:
    """Lifters, sets and kept answers go; keys, sites and audit stay; the real tenant beside it notices nothing."""
    test, real = [await make_key(database_url, *SCOPES, tenant=each) for each in (SANDBOX, GYM)]
    async with (
        served(database_url, token=test.token) as trying,
        served(database_url, token=real.token) as working,
    ):
        for client in (trying, working):
            await client.put("/v1/sites/north")
            await log(client, set_body(1), set_body(2))
            await client.put(path(lifter="lark-4"), json={"site": "north"})
        keyed = {"idempotency-key": "ci-1"}
        await trying.post(path("sets"), json={"sets": [set_body(3)]}, headers=keyed)
        before = await export(working)
        emptied = await trying.delete("/v1/sandbox")
        assert (emptied.status_code, emptied.content) == (204, b"")
        assert emptied.headers["cache-control"] == "no-store"
        for lifter in (LIFTER, "lark-4"):
            assert_problem(await trying.get(path(lifter=lifter)), 404)
        assert await export(working) == before
        assert [each["site"] for each in (await trying.get("/v1/sites")).json()["sites"]] == ["north"]
        receipt = emptied.headers["effort-erasure-receipt"]
        entry = (await trying.get(f"/v1/audit/{receipt}")).json()
        assert (entry["operation"], entry["outcome"], entry["sets"]) == ("emptySandbox", "erased", 3)
        again = await trying.post(path("sets"), json={"sets": [set_body(3)]}, headers=keyed)
        assert (again.status_code, "idempotent-replayed" in again.headers) == (201, False)
        assert (await trying.get(path("sets"))).json()["sets"][0]["set_id"] == id_of(3)
        assert (await trying.delete("/v1/sandbox")).status_code == 204


@pytest.mark.parametrize("tenant", [GYM, "sandbox", f"{GYM}.sandbox.live"])
async def test_a_tenant_whose_lifters_are_real_has_no_sandbox(database_url: str, tenant: str) -> None:
    """404 and nothing lost, whatever the key may do."""
    key = await make_key(database_url, *SCOPES, tenant=tenant)
    async with served(database_url, token=key.token) as client:
        await log(client, set_body(1))
        before = await export(client)
        assert_problem(await client.delete("/v1/sandbox"), 404)
        assert await export(client) == before


async def test_test_keys_need_scopes_and_the_whole_sandbox_to_empty_it(database_url: str) -> None:
    """As any key."""
    reader = await make_key(database_url, "history:read", tenant=SANDBOX)
    bound = await make_key(database_url, "history:write", tenant=SANDBOX, sites=["north"])
    for key, kind in ((reader, "missing-scope"), (bound, "bound-to-sites")):
        async with served(database_url, token=key.token) as client:
            assert assert_problem(await client.delete("/v1/sandbox"), 403)["type"] == f"/problems/{kind}"
