"""Tokens of an issuer the operator trusts: what is taken, and that whatever is not is refused alike."""

import hashlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.api.clock import now
from service.errors import SettingsInvalid
from tests.api.forged_tokens import TAKEN, forged
from tests.api.gym import path, post_sets, set_body
from tests.api.issuer import AUDIENCE, claims, jwk, jwks, pair, settings, token
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import make_key, served, settings_for

BODY = {"rep_target": 8}


@asynccontextmanager
async def trusting(
    tmp_path: Path, url: str, *entries: dict[str, Any], **more: str
) -> AsyncIterator[httpx.AsyncClient]:
    """Yield a client of a service that trusts the keys, by default one named `a`; the tenant is there."""
    file = tmp_path / "jwks.json"
    file.write_bytes(jwks(*(entries or (jwk("a", TAKEN),))))
    async with served(url, **settings(file, **more)) as client:
        yield client


async def post(client: httpx.AsyncClient, bearer: str) -> httpx.Response:
    """Ask for a prescription with this token."""
    return await client.post("/v1/prescriptions", json=BODY, headers={"authorization": f"Bearer {bearer}"})


@pytest.mark.parametrize("algorithm", ["RS256", "ES256", "EdDSA"])
async def test_a_token_opens_what_its_scopes_say(database_url: str, tmp_path: Path, algorithm: str) -> None:
    """With each of the usual algorithms; a scope it lacks is 403, one we do not know is ignored."""
    await make_key(database_url)
    made = pair(algorithm)
    async with trusting(tmp_path, database_url, jwk("a", made)) as client:
        good = token("a", made, claims(scope="openid prescribe"))
        for _ in range(2):
            assert (await post(client, good)).status_code == 200
        answer = await client.get(path(), headers={"authorization": f"Bearer {good}"})
        assert "'history:read'" in assert_problem(answer, 403)["detail"]
        assert_problem(await post(client, token("a", made, claims(scope=None))), 403)


async def test_a_token_and_a_key_share_the_tenant(database_url: str, tmp_path: Path) -> None:
    """What one stores the other reads; an API key works beside tokens."""
    key = await make_key(database_url, "history:read", "history:write")
    async with trusting(tmp_path, database_url) as client:
        client.headers["authorization"] = f"Bearer {key.token}"
        assert (await post_sets(client, set_body())).status_code == 201
        client.headers["authorization"] = f"Bearer {token('a', TAKEN)}"
        assert (await client.get(path("sets"))).json()["sets"][0]["set_id"] == set_body()["set_id"]
        rival = token("a", TAKEN, claims(tenant="mill-lane-gym"))
        await make_key(database_url, tenant="mill-lane-gym")
        client.headers["authorization"] = f"Bearer {rival}"
        assert_problem(await client.get(path()), 404)


async def test_a_token_may_be_bound_to_sites(database_url: str, tmp_path: Path) -> None:
    """It sees lifters of those, and makes them there."""
    key = await make_key(database_url, "history:read", "history:write", sites=["north", "south"])
    async with trusting(tmp_path, database_url) as client:
        client.headers["authorization"] = f"Bearer {token('a', TAKEN, claims(sites=['north']))}"
        assert (await client.put(path(), json={})).json()["site"] == "north"
        client.headers["authorization"] = f"Bearer {token('a', TAKEN, claims(sites=['south']))}"
        assert_problem(await client.get(path()), 404)
        client.headers["authorization"] = f"Bearer {key.token}"
        assert (await client.get(path())).status_code == 200


async def test_the_audit_names_the_subject_by_a_hash(database_url: str, tmp_path: Path) -> None:
    """Nobody's name or address gets in, and the operator can find whose it was."""
    await make_key(database_url)
    async with trusting(tmp_path, database_url) as client:
        told = claims(sub="a.coach@gym.example", scope="history:write admin")
        client.headers["authorization"] = f"Bearer {token('a', TAKEN, told)}"
        await client.put(path(), json={})
        entry = (await client.get("/v1/audit")).json()["entries"][0]
    assert entry["actor"] == f"token:{hashlib.sha256(b'a.coach@gym.example').hexdigest()[:24]}"


async def test_whatever_is_wrong_is_refused_alike(database_url: str, tmp_path: Path) -> None:
    """401, the same problem to the letter, as for a missing key: nobody learns what was wrong."""
    await make_key(database_url, sites=["north"])
    entries = (jwk("a", TAKEN), jwk("rsa", pair("RS256")))
    async with trusting(tmp_path, database_url, *entries) as client:
        plain = assert_problem(await client.post("/v1/prescriptions", json=BODY), 401)
        for name, bad in forged().items():
            answer = await post(client, bad)
            assert answer.status_code == 401, name
            assert answer.headers["www-authenticate"].startswith("Bearer")
            assert answer.json() | {"request_id": ""} == plain | {"request_id": ""}, name
        assert (await post(client, token("a", TAKEN))).status_code == 200


async def test_clocks_may_differ_a_little(database_url: str, tmp_path: Path) -> None:
    """By 30 seconds; then a token is over, also one that was let in a moment ago."""
    await make_key(database_url)
    async with trusting(tmp_path, database_url) as client:
        moment = int(now().timestamp())
        for told in (claims(exp=moment - 5), claims(nbf=moment + 20), claims(aud=["other", AUDIENCE])):
            assert (await post(client, token("a", TAKEN, told))).status_code == 200
        far = claims(exp=10**17)
        assert (await post(client, token("a", TAKEN, far))).status_code == 200


async def test_without_the_settings_no_token_is_taken(database_url: str) -> None:
    """As any other text that is no key."""
    await make_key(database_url)
    async with served(database_url) as client:
        assert_problem(await post(client, token("a", TAKEN)), 401)


async def test_the_claim_of_the_tenant_can_be_named(database_url: str, tmp_path: Path) -> None:
    """For issuers that call it otherwise; the usual one then means nothing."""
    await make_key(database_url)
    named = {"EFFORT_JWT_TENANT_CLAIM": "https://gym.example/org"}
    async with trusting(tmp_path, database_url, **named) as client:
        told = claims(tenant=None) | {"https://gym.example/org": "harbour-street-gym"}
        assert (await post(client, token("a", TAKEN, told))).status_code == 200
        assert_problem(await post(client, token("a", TAKEN)), 401)


WRONG: list[tuple[dict[str, str], str]] = [
    ({"EFFORT_JWT_ISSUER": ""}, "EFFORT_JWT_ISSUER"),
    ({"EFFORT_JWT_AUDIENCE": " "}, "EFFORT_JWT_AUDIENCE"),
    ({"EFFORT_JWT_ALGORITHMS": "RS256,none"}, "EFFORT_JWT_ALGORITHMS"),
    ({"EFFORT_JWT_ALGORITHMS": "HS256"}, "EFFORT_JWT_ALGORITHMS"),
    ({"EFFORT_JWT_ALGORITHMS": ""}, "EFFORT_JWT_ALGORITHMS"),
    ({"EFFORT_JWT_JWKS": "http://issuer.example/jwks.json"}, "https://"),
    ({"EFFORT_JWT_JWKS": "file:///etc/hostname"}, "https://"),
    ({"EFFORT_JWT_TENANT_CLAIM": ""}, "EFFORT_JWT_TENANT_CLAIM"),
]


@pytest.mark.parametrize(("changes", "named"), WRONG)
def test_settings_that_would_not_be_safe_are_refused(changes: dict[str, str], named: str) -> None:
    """At start, by name."""
    with pytest.raises(SettingsInvalid, match=named):
        settings_for("sqlite:///unused.db", **settings("jwks.json") | changes)


FILES = {
    "missing": None,
    "no JSON": b"{",
    "no set": b'{"kty": "RSA"}',
    "empty": jwks(),
    "symmetric": jwks({"kty": "oct", "k": "c2VjcmV0", "kid": "a", "alg": "HS256"}),
    "private": jwks(jwk("a", TAKEN, private=True)),
    "for encryption": jwks(jwk("a", TAKEN, use="enc")),
    "without kid": jwks(jwk("a", TAKEN) | {"kid": None}),
    "short": jwks(jwk("a", pair("RS256", bits=1024))),
    "algorithm not allowed": jwks(jwk("a", pair("ES384"))),
    "not even keys": jwks(None, 7, "x", [], {}, {"kid": "a", "kty": "EC"}, {"kid": "a", "kty": ["EC"]}),
    "too large": jwks(jwk("a", TAKEN, padding="x" * 300_000)),
}


@pytest.mark.parametrize("name", FILES)
async def test_a_file_without_a_usable_key_stops_the_start(tmp_path: Path, name: str) -> None:
    """The operator is told at once, and which setting it is."""
    file, text = tmp_path / "jwks.json", FILES[name]
    if text is not None:
        file.write_bytes(text)
    with fresh_database("sqlite") as url, pytest.raises(SettingsInvalid, match="EFFORT_JWT_JWKS"):
        async with served(url, **settings(file)):
            pass


async def test_unusable_keys_beside_a_usable_one_are_left_out(database_url: str, tmp_path: Path) -> None:
    """The set of a real issuer holds more than what we need."""
    await make_key(database_url)
    others = (jwk("b", TAKEN, private=True), {"kty": "oct", "k": "c2VjcmV0", "kid": "c", "alg": "HS256"})
    async with trusting(
        tmp_path, database_url, *others, jwk("a", TAKEN), jwk("a", pair("EdDSA", 1))
    ) as client:
        assert (await post(client, token("a", TAKEN))).status_code == 200
        for bad in (token("b", TAKEN), token("a", pair("EdDSA", 1))):
            assert_problem(await post(client, bad), 401)


async def test_tokens_are_in_the_document() -> None:
    """Beside keys, at every operation that needs either, with the scopes it needs."""
    with fresh_database("sqlite") as url:
        async with served(url) as client:
            document = (await client.get("/openapi.json")).json()
    assert document["components"]["securitySchemes"]["jwt"]["bearerFormat"] == "JWT"
    operation = document["paths"]["/v1/lifters/{lifter_id}/prescriptions"]["post"]
    needed = ["prescribe", "history:read"]
    assert operation["security"] == [{"apiKey": needed}, {"jwt": needed}]
