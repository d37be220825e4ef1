"""The whole service as the PostgreSQL role that owns nothing: it can do all it has to."""

from collections.abc import AsyncIterator, Iterator

import httpx
import pytest

from service.storage.keys import SCOPES
from tests.api.gym import LIFTER, export, id_of, log, path, post_sets, set_body
from tests.api.issuer import claims, jwk, jwks, pair, settings, token
from tests.api.problem_shape import assert_problem
from tests.roles import two_roles
from tests.serving import make_key, served


@pytest.fixture
def addresses() -> Iterator[tuple[str, str]]:
    """The database for its owner and for the role that serves."""
    with two_roles() as found:
        yield found


@pytest.fixture
async def client(addresses: tuple[str, str]) -> AsyncIterator[httpx.AsyncClient]:
    """A client of the service as that role, with a key that the owner made."""
    owner, role = addresses
    key = await make_key(owner, *SCOPES)
    async with served(role, token=key.token) as found:
        yield found


async def test_it_is_ready(client: httpx.AsyncClient) -> None:
    """The schema's revision can be read."""
    assert (await client.get("/health/ready")).status_code == 200


async def test_a_lifter_comes_trains_and_goes(client: httpx.AsyncClient) -> None:
    """Every route of a lifter, retries included."""
    assert (await client.put(path(), json={"experience": "novice"})).status_code == 201
    assert (await client.put(path(), json={"goal": "power"})).status_code == 200
    for replayed in (None, "true"):
        answer = await post_sets(client, set_body(1), set_body(2), idempotency_key="monday")
        assert (answer.status_code, answer.headers.get("idempotent-replayed")) == (201, replayed)
    await log(client, set_body(3, set_endpoint="momentary_failure"))
    assert (await client.put(path("sets", id_of(1)), json=set_body(1, reps=9))).status_code == 200
    assert (await client.delete(path("sets", id_of(2)))).status_code == 204
    for place in ("state", "review", "sets"):
        assert (await client.get(path(place))).status_code == 200
    asked = {"rep_target": 8, "exercise": "barbell_bench_press"}
    assert (await client.post(path("prescriptions"), json=asked)).json()["context_used"][
        "exposures"
    ] is not None
    assert (await export(client)).endswith(b'{"type":"end","sets":2}\n')
    erased = await client.delete(path())
    receipt = erased.headers["effort-erasure-receipt"]
    assert (await client.get(f"/v1/audit/{receipt}")).json()["sets"] == 2
    assert_problem(await client.get(path()), 404)


async def test_an_admin_manages_sites_and_keys(client: httpx.AsyncClient) -> None:
    """And a key made here works at once, with its use noted, as the role has to write that as well."""
    assert (await client.put("/v1/sites/north")).status_code == 201
    made = (await client.post("/v1/keys", json={"scopes": ["history:write"], "sites": ["north"]})).json()
    own = {"authorization": f"Bearer {made['api_key']}"}
    assert (await client.put(path(), json={}, headers=own)).json()["site"] == "north"
    rotated = await client.post(f"/v1/keys/{made['key_id']}/rotations", json={})
    assert rotated.status_code == 201
    assert_problem(await client.delete("/v1/sites/north"), 409)
    for key_id in (made["key_id"], rotated.json()["key_id"]):
        assert (await client.delete(f"/v1/keys/{key_id}")).status_code == 204
    assert (await client.delete(path())).status_code == 204
    assert (await client.delete("/v1/sites/north")).status_code == 204
    used = [key["last_used_at"] for key in (await client.get("/v1/keys")).json()["keys"]]
    assert any(used)


async def test_tokens_find_their_tenant(
    addresses: tuple[str, str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """By its name, which the role may ask for one at a time."""
    owner, role = addresses
    await make_key(owner, sites=["north"])
    made = pair("EdDSA")
    file = tmp_path_factory.mktemp("jwks") / "jwks.json"
    file.write_bytes(jwks(jwk("a", made)))
    bearer = token("a", made, claims(sites=["north"]))
    async with served(role, token=bearer, **settings(file)) as client:
        assert (await client.put(path(), json={})).json()["site"] == "north"
        assert (await client.get(path())).json()["lifter_id"] == LIFTER
