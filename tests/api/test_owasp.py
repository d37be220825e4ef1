"""OWASP API Security Top 10 (2023): one test for each item, over HTTP, on both databases.

Each shows the item's main attacks failing; what is tried wider elsewhere is named in the docstring.
"""

import asyncio
import json
from datetime import timedelta
from pathlib import Path

import httpx
import jsonschema
import jwt
import pytest

from service.api.clock import now
from service.storage.keys import SCOPES
from tests.api.forged_tokens import TAKEN, forged
from tests.api.gym import GYM, LIFTER, RIVAL, export, id_of, log, path, post_sets, set_body
from tests.api.house import CANARY, KEYS, NOBODYS, furnish, house, listening, standstill, texts_in, with_text
from tests.api.issuer import claims, jwk, jwks, pair, settings, token
from tests.api.poisoned_members import routes
from tests.api.problem_shape import assert_problem
from tests.api.test_access_matrix import (
    CLOSED,
    DOCUMENT,
    NAMED_OPEN,
    NAMING,
    OF_ONES_OWN,
    OPERATIONS,
    call,
    needed,
)
from tests.serving import make_key, served

ONE = {"rep_target": 8}
PRESCRIBE = "/v1/prescriptions"
LIMITS = {"EFFORT_RATE_LIMIT_PER_MINUTE": "100", "EFFORT_TENANT_RATE_LIMIT_PER_MINUTE": "150"}
DEFAULT_KEYS = {"admin", "demo", "test", "changeme", "effort", "effk_demo", "null", "undefined", "*"}
FOR_PEOPLE = "text/html; charset=utf-8"
HIDDEN = ("schema", "schema/openapi.json", "swagger", "debug", "admin", ".git/config", ".env", "v1")
LIES = (b"", b"\xff" * 99, b"[" * 100_000, b"<html>302</html>", b'{"keys": 8}', b" " * 2**20)


async def asked_with(client: httpx.AsyncClient, bearer: str) -> int:
    """Return the status of a prescription asked for with this key or token."""
    headers = {"authorization": f"Bearer {bearer}"}
    return (await client.post(PRESCRIBE, json=ONE, headers=headers)).status_code


async def test_api1_broken_object_level_authorization(database_url: str) -> None:
    """Another tenant's ids find nothing, nor its cursors and Idempotency-Keys; test_access_matrix: sites."""
    async with house(database_url) as (owner, _), house(database_url, RIVAL) as (rival, _):
        named = await furnish(owner)
        cursor = (await owner.get(path("sets"), params={"limit": 1})).json()["next"]
        await post_sets(owner, set_body(4, note=CANARY), idempotency_key="mine")
        before = await export(owner)
        for name in NAMING:
            if name not in OF_ONES_OWN:
                answer = await call(rival, name, named)
                assert CANARY not in answer.text, name
                assert_problem(answer, 404)
        stolen = await post_sets(rival, set_body(9), idempotency_key="mine")
        assert (stolen.status_code, stolen.json()) == (201, {"set_ids": [id_of(9)]})
        assert "idempotent-replayed" not in stolen.headers
        page = await rival.get(path("sets"), params={"cursor": cursor})
        assert {each["set_id"] for each in page.json()["sets"]} <= {id_of(9)}
        await rival.delete(path())
        assert await export(owner) == before


async def test_api2_broken_authentication(database_url: str, tmp_path: Path) -> None:
    """Whatever is not a live key or token is 401, all alike, in the header only; see test_keys and test_tokens."""
    past = now() - timedelta(days=2)
    expired = await make_key(database_url, now=past, expires_at=past + timedelta(days=1))
    async with house(database_url) as (owner, key):
        gone = (await owner.post(KEYS, json={"scopes": ["prescribe"]})).json()
        assert (await owner.delete(f"{KEYS}/{gone['key_id']}")).status_code == 204
    prefix, key_id, secret, check = key.token.split("_")
    altered = "_".join((prefix, key_id, secret[::-1], check))
    unknown = "_".join((prefix, key_id[::-1], secret, check))
    (tmp_path / "jwks.json").write_bytes(jwks(jwk("a", TAKEN)))
    bad = [altered, unknown, key.token[:-1], key.token.upper(), key_id, secret, expired.token]
    bad.append(gone["api_key"])
    async with served(database_url, **settings(tmp_path / "jwks.json")) as client:
        told = set()
        for bearer in (*bad, *DEFAULT_KEYS, *forged().values()):
            headers = {"authorization": f"Bearer {bearer}"} if bearer.isascii() else {}
            problem = assert_problem(await client.post(PRESCRIBE, json=ONE, headers=headers), 401)
            told.add((problem["type"], problem["title"], problem["detail"]))
        assert len(told) == 1
        for query in ("api_key", "access_token", "authorization", "token"):
            assert_problem(await client.post(f"{PRESCRIBE}?{query}={key.token}", json=ONE), 401)
        for header in ("x-api-key", "proxy-authorization", "cookie"):
            sent = {header: f"Bearer {key.token}"}
            assert_problem(await client.post(PRESCRIBE, json=ONE, headers=sent), 401)
        assert await asked_with(client, token("a", TAKEN)) == 200


async def test_api3_broken_object_property_level_authorization(database_url: str) -> None:
    """No body takes a member the document does not name; no answer shows one it does not name, nor a secret."""
    async with house(database_url) as (owner, key):
        named = await furnish(owner)
        for route in routes():
            for member in ("tenant_id", "tenant", "secret_hash", "role", "version", "created_at", "is_admin"):
                address = route.address.replace("hostile-1", LIFTER).replace("abcdefghjkmn", named["key_id"])
                sent = {**route.valid, member: CANARY}
                assert_problem(await owner.request(route.method, address, json=sent), 422, f"#/{member}")
        for name, (method, _, operation) in OPERATIONS.items():
            schema = (
                operation["responses"]
                .get("200", {})
                .get("content", {})
                .get("application/json", {})
                .get("schema")
            )
            if method == "GET" and schema:
                answer = await call(owner, name, NAMED_OPEN | named)
                whole = {**schema, "components": DOCUMENT["components"]}
                jsonschema.validate(answer.json(), whole, cls=jsonschema.Draft202012Validator)
                assert key.token.split("_")[2] not in answer.text
                assert "secret" not in answer.text or name in (
                    "getDocument",
                    "listEvidence",
                    "getEvidence",
                ), name
        listed = (await owner.get(KEYS)).json()["keys"][0]
        assert not {"api_key", "secret_hash", "tenant_id"} & set(listed)


async def test_api4_unrestricted_resource_consumption(database_url: str) -> None:
    """Items, pages, depth, size and rate end somewhere; test_hostile_bodies, test_rate_limits, test_shedding."""
    async with house(database_url, monotonic=standstill, EFFORT_RATE_LIMIT_PER_MINUTE="1200") as (client, _):
        sets = [set_body(number) for number in range(1, 202)]
        assert_problem(await client.post(path("sets"), json={"sets": sets}), 422, "#/sets")
        batch = f"{PRESCRIBE}/batch"
        assert_problem(await client.post(batch, json={"contexts": [ONE] * 1001}), 422, "#/contexts")
        await log(client, set_body())
        assert_problem(await client.get(path("sets"), params={"limit": 501}), 422, "limit")
        assert_problem(await client.get(path("review"), params={"weeks": 10**9}), 422, "weeks")
        json_type = {"content-type": "application/json"}
        assert_problem(await client.post(PRESCRIBE, content=b"[" * 10**6, headers=json_type), 400)
        assert_problem(await client.post(PRESCRIBE, content=b" " * (2**21 + 1), headers=json_type), 413)
        squeezed = json_type | {"content-encoding": "gzip"}
        assert_problem(await client.post(PRESCRIBE, content=b"\x1f\x8b", headers=squeezed), 415)
        assert (await client.post(batch, json={"contexts": [ONE] * 1000})).status_code == 200
        refused = await client.post(batch, json={"contexts": [ONE] * 1000})
        assert assert_problem(refused, 429)["type"] == "/problems/too-many-requests"
        assert 1 <= int(refused.headers["retry-after"]) <= 60


async def test_api5_broken_function_level_authorization(database_url: str) -> None:
    """Every function is 403 to a key that has every scope but one it needs; no header makes another method of it."""
    async with house(database_url) as (owner, _):
        named = await furnish(owner)
        before = await export(owner)
        for missing in SCOPES:
            key = await make_key(database_url, *(scope for scope in SCOPES if scope != missing), tenant=GYM)
            async with served(database_url, token=key.token) as client:
                for name in CLOSED:
                    if missing in needed(name):
                        assert (
                            f"'{missing}'" in assert_problem(await call(client, name, named), 403)["detail"]
                        ), name
        for header in ("x-http-method-override", "x-http-method", "x-method-override"):
            assert (await owner.get(path(), headers={header: "DELETE"})).status_code == 200
        for method in ("PATCH", "TRACE", "CONNECT", "PROPFIND"):
            assert_problem(await owner.request(method, path()), 405)
        assert await export(owner) == before


async def test_api6_unrestricted_access_to_sensitive_business_flows(database_url: str) -> None:
    """Neither bulk nor keys made for it get round the quota; erasure and keys leave a trace for good."""
    async with house(database_url, monotonic=standstill, **LIMITS) as (client, key):
        assert (await client.post(f"{PRESCRIBE}/batch", json={"contexts": [ONE] * 90})).status_code == 200
        made = [(await client.post(KEYS, json={"scopes": ["prescribe"]})).json() for _ in range(5)]
        answered = [await asked_with(client, each["api_key"]) for each in made for _ in range(20)]
        # Of the tenant's 150, contexts took 90 and keys 5.
        assert (answered.count(200), answered.count(429)) == (55, 45)
    async with house(database_url) as (client, second):
        await furnish(client)
        receipt = (await client.delete(path())).headers["effort-erasure-receipt"]
        entry = (await client.get(f"/v1/audit/{receipt}")).json()
        assert (entry["operation"], LIFTER in json.dumps(entry)) == ("deleteLifter", False)
        kept = (await client.get("/v1/audit", params={"operation": "createKey"})).json()["entries"]
        assert {each["actor"] for each in kept} == {f"key:{key.key_id}", f"key:{second.key_id}"}
        for method in ("DELETE", "PUT", "PATCH", "POST"):
            assert_problem(await client.request(method, f"/v1/audit/{receipt}"), 405)


async def test_api7_server_side_request_forgery(database_url: str, tmp_path: Path) -> None:
    """No address a caller names is ever called: in bodies, headers, queries, or the header of a token."""
    (tmp_path / "jwks.json").write_bytes(jwks(jwk("a", TAKEN)))
    trusted = settings(tmp_path / "jwks.json")
    async with listening() as (port, heard), house(database_url, **trusted) as (client, _):
        url = f"http://127.0.0.1:{port}/latest/meta-data"
        pointing = dict.fromkeys(
            ("host", "origin", "referer", "x-forwarded-host", "forwarded", "x-callback"), url
        )
        for route in routes():
            for at in texts_in(route.valid):
                sent = with_text(route.valid, at, url)
                assert (await client.request(route.method, route.address, json=sent)).status_code < 500
        for address in (path(), "/openapi.json", f"/problems/{url}", f"/v1/muscles?url={url}&callback={url}"):
            assert (await client.get(address, headers=pointing)).status_code < 500
        for kid in ("a", "b", url):
            for header in ({"jku": url}, {"x5u": url}, {"iss": url}, {"jwk": jwk("b", pair("EdDSA", 1))}):
                bearer = {"authorization": f"Bearer {token(kid, pair('EdDSA', 1), **header)}"}
                assert_problem(await client.post(PRESCRIBE, json=ONE, headers=bearer), 401)
        await asyncio.sleep(0.05)
        assert heard == []
        _, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write_eof()
        for _ in range(100):
            if not heard:
                await asyncio.sleep(0.05)
        assert heard == [b""]  # it would have been heard
        writer.close()


async def test_api8_security_misconfiguration(database_url: str) -> None:
    """Every answer protects itself; nothing closed is cached; no word of what runs beneath; no other origins."""
    async with house(database_url) as (owner, _):
        named = NAMED_OPEN | await furnish(owner)
        for name in [*OPERATIONS, "nothing there"]:
            asked = owner.get("/nowhere") if name == "nothing there" else call(owner, name, named | NOBODYS)
            headers = (answer := await asked).headers
            assert answer.status_code < 500, name
            assert headers["x-content-type-options"] == "nosniff"
            assert "default-src 'none'" in headers["content-security-policy"]
            assert not {"server", "x-powered-by", "access-control-allow-origin"} & set(headers), name
            if name in CLOSED:
                assert "no-store" in headers["cache-control"], name
            for word in ("Traceback", "litestar", "sqlalchemy", "asyncpg", "site-packages", database_url):
                assert word.lower() not in answer.text.lower(), (name, word)
        preflight = {"origin": "https://elsewhere.example", "access-control-request-method": "POST"}
        answer = await owner.options(PRESCRIBE, headers=preflight)
        assert "access-control-allow-origin" not in answer.headers


async def test_api9_improper_inventory_management(database_url: str) -> None:
    """One version, as documented; nothing older, newer or hidden answers. test_document: every route is in it."""
    async with house(database_url) as (owner, _):
        assert (await owner.get("/openapi.json")).json() == DOCUMENT
        named = NAMED_OPEN | NOBODYS
        read = [place for method, place, _ in OPERATIONS.values() if "/v1/" in place and method == "GET"]
        assert read
        for place in (place.format_map(named) for place in read):
            for version in ("/v0/", "/v2/", "/beta/", "/internal/", "/V1/", "/api/v1/"):
                assert_problem(await owner.get(place.replace("/v1/", version)), 404)
            bare = await owner.get(place.replace("/v1/", "/"))
            if (
                bare.headers["content-type"] != FOR_PEOPLE
            ):  # a page of the reference, which test_document counts
                assert_problem(bare, 404)
        for hidden in HIDDEN:
            assert_problem(await owner.get(f"/{hidden}"), 404)


@pytest.mark.filterwarnings("ignore::jwt.warnings.InsecureKeyLengthWarning")
async def test_api10_unsafe_consumption_of_apis(database_url: str, tmp_path: Path) -> None:
    """Lies of issuer and Redis: keys known before stay, limits hold; test_jwks, test_shared_quotas."""
    async with listening(b"$2147483647\r\n" + b"x" * 5000) as (port, _):
        lying = {"EFFORT_REDIS_URL": f"redis://127.0.0.1:{port}/0", "EFFORT_RATE_LIMIT_PER_MINUTE": "6"}
        async with house(database_url, monotonic=standstill, **lying) as (client, _):
            asked = [(await client.post(PRESCRIBE, json=ONE)).status_code for _ in range(8)]
    assert asked == [200] * 6 + [429] * 2
    file = tmp_path / "jwks.json"
    symmetric = {"kty": "oct", "k": "AAAA", "kid": "b", "alg": "HS256"}
    for lie in LIES:
        file.write_bytes(jwks(jwk("a", TAKEN)))
        async with house(database_url, **settings(file)) as (client, _):
            file.write_bytes(lie)
            assert await asked_with(client, token("b", pair("EdDSA", 1))) == 401, lie[:20]
            assert await asked_with(client, token("a", TAKEN)) == 200, lie[:20]
    file.write_bytes(jwks(symmetric, jwk("a", TAKEN), {"kid": "c"}, None))
    async with house(database_url, **settings(file)) as (client, _):
        made = jwt.encode(claims(), b"\0\0\0", algorithm="HS256", headers={"kid": "b"})
        assert await asked_with(client, made) == 401
