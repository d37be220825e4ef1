"""HTTP itself: methods, headers, conditional requests, request ids, the order of checks."""

from uuid import UUID

import httpx
import pytest
from litestar._parsers import parse_query_string

from service.api.edge import LONGEST_PATH
from tests.api.problem_shape import assert_problem

GETS = (
    "/v1/policies",
    "/v1/policies/2026-11-25",
    "/v1/evidence",
    "/v1/evidence/LAS22",
    "/v1/exercises",
    "/v1/muscles",
    "/problems",
    "/problems/invalid-input",
    "/openapi.json",
    "/.well-known/api-catalog",
)
ALWAYS_JSON = ("/openapi.json", "/.well-known/api-catalog")
POSTS = (
    "/v1/prescriptions",
    "/v1/prescriptions/batch",
    "/v1/estimates/one-rep-max",
    "/v1/estimates/repetitions",
    "/v1/estimates/load",
)
VARYING = {"x-request-id", "date"}


@pytest.mark.parametrize("path", [*GETS, "/health/live", "/health/ready"])
async def test_head_is_get_without_its_body(client: httpx.AsyncClient, path: str) -> None:
    """Same status and headers, length included."""
    got, head = await client.get(path), await client.head(path)
    assert (head.status_code, head.content) == (got.status_code, b"")
    assert {k: v for k, v in head.headers.items() if k not in VARYING} == {
        k: v for k, v in got.headers.items() if k not in VARYING
    }
    assert int(head.headers["content-length"]) == len(got.content)


@pytest.mark.parametrize("path", GETS)
async def test_deterministic_gets_have_a_strong_etag(client: httpx.AsyncClient, path: str) -> None:
    """The same tag again, 304 when it is known, another tag for another format."""
    first = await client.get(path)
    tag = first.headers["etag"]
    assert tag.startswith('"')
    assert first.headers["cache-control"].startswith("public")
    for known in (tag, f'"other", {tag}', "*", f"W/{tag}"):
        again = await client.get(path, headers={"if-none-match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert (await client.get(path, headers={"if-none-match": '"other"'})).status_code == 200
    packed = await client.get(path, headers={"accept": "application/vnd.msgpack"})
    if path not in ALWAYS_JSON:
        assert packed.headers["etag"] != tag


@pytest.mark.parametrize("path", [*GETS, "/health/live"])
async def test_options_and_405_tell_the_methods_of_a_get(client: httpx.AsyncClient, path: str) -> None:
    """Allow is the same in both."""
    assert (await client.options(path)).headers["allow"] == "GET, HEAD, OPTIONS"
    refused = await client.delete(path)
    assert_problem(refused, 405)
    assert refused.headers["allow"] == "GET, HEAD, OPTIONS"


@pytest.mark.parametrize("path", ["//v1///muscles", "/v1/muscles/", "/v1//evidence/LAS22//"])
async def test_spare_slashes_change_nothing(client: httpx.AsyncClient, path: str) -> None:
    """The router overlooks them, so Allow does."""
    url = f"http://service.test{path}"
    assert (await client.get(url)).status_code == 200
    assert (await client.options(url)).headers["allow"] == "GET, HEAD, OPTIONS"
    assert (await client.delete(url)).headers["allow"] == "GET, HEAD, OPTIONS"


@pytest.mark.parametrize("path", POSTS)
async def test_options_and_405_tell_the_methods_of_a_post(client: httpx.AsyncClient, path: str) -> None:
    """HEAD of a POST-only address is 405 as well."""
    assert (await client.options(path)).headers["allow"] == "POST, OPTIONS"
    for method in ("GET", "PUT", "PATCH"):
        refused = await client.request(method, path)
        assert_problem(refused, 405)
        assert refused.headers["allow"] == "POST, OPTIONS"
    assert (await client.head(path)).status_code == 405


@pytest.mark.parametrize(
    "path", ["/nothing", "/v1", "/v1/nothing", "/v1/prescriptions/x/y", "/%00", "/v1/evidence/NOPE"]
)
async def test_nothing_there_is_404_for_every_method(client: httpx.AsyncClient, path: str) -> None:
    """Errors of the router have the shape of all errors."""
    for method in ("GET", "OPTIONS") if path != "/v1/evidence/NOPE" else ("GET",):
        assert_problem(await client.request(method, path), 404)


async def test_what_was_asked_for_is_not_kept(client: httpx.AsyncClient) -> None:
    """A thousand queries of 64 KB, taken apart, are a gigabyte; no key is needed to send them."""
    parse_query_string.cache_clear()
    long = "&".join(f"name-{number}=" for number in range(5000))
    for query, status in (("x=1", 422), (long, 422), ("", 200)):
        assert (await client.get(f"/v1/muscles?{query}", headers={"authorization": ""})).status_code == status
    sent = await client.post("/v1/prescriptions?detail=brief&detail=full", json={"rep_target": 8})
    assert_problem(sent, 422, "detail")
    minimal = await client.post("/v1/prescriptions?detail=brief", json={"rep_target": 8}, headers={"x": "1"})
    assert "assumptions" not in minimal.json()
    assert parse_query_string.cache_info().currsize == 0


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "DELETE", "OPTIONS", "TRACE"])
async def test_an_address_that_never_ends_leads_nowhere(client: httpx.AsyncClient, method: str) -> None:
    """The router would keep those that lead somewhere. The longest there is is far shorter."""
    longest = f"/v1/lifters/{'l' * 64}/sets/{UUID(int=1)}"
    assert 10 * len(longest) < LONGEST_PATH
    path = f"/v1/evidence/{'x' * LONGEST_PATH}"
    answer = await client.request(method, path)
    assert answer.status_code == 404
    if method != "HEAD":
        assert path.startswith(assert_problem(answer, 404)["instance"])


async def test_request_ids_are_echoed_or_made(client: httpx.AsyncClient) -> None:
    """A sane one is kept, another replaced."""
    sent = {"x-request-id": "gym-7.set_3"}
    for response in (
        await client.get("/v1/muscles", headers=sent),
        await client.post("/v1/prescriptions", json={"rep_target": 8}, headers=sent),
        await client.get("/nothing", headers=sent),
    ):
        assert response.headers["x-request-id"] == "gym-7.set_3"
    made = [(await client.get("/v1/muscles", headers={"x-request-id": "no spaces"})) for _ in range(2)]
    assert made[0].headers["x-request-id"] != made[1].headers["x-request-id"]


async def test_every_answer_carries_the_security_headers(client: httpx.AsyncClient) -> None:
    """Success and failure alike."""
    for response in (
        await client.get("/v1/muscles"),
        await client.post("/v1/prescriptions", json={"rep_target": 8}),
        await client.post("/v1/prescriptions", json={}),
        await client.get("/nothing"),
        await client.options("/v1/muscles"),
    ):
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["content-security-policy"].startswith("default-src 'none'")
        assert response.headers["referrer-policy"] == "no-referrer"
        assert response.headers["effort-service-version"]


async def test_checks_come_in_the_documented_order(client: httpx.AsyncClient) -> None:
    """404/405, 401, 415, 413, 400, 422: each hides the later ones."""
    large, nobody = b"[" * 3_000_000, {"authorization": "Bearer no"}
    text, json = {"content-type": "text/plain"}, {"content-type": "application/json"}
    path = "/v1/prescriptions?x=1"
    assert_problem(await client.put(path, content=large, headers=nobody | text), 405)
    assert_problem(await client.post(path, content=large, headers=nobody | text), 401)
    assert_problem(await client.post(path, content=large, headers=text), 415)
    assert_problem(await client.post(path, content=large, headers=json), 413)
    assert_problem(await client.post(path, content=b"[", headers=json), 400)
    assert_problem(await client.post(path, content=b"{}", headers=json), 422, "#/rep_target", "x")


async def test_problem_pages_are_readable_in_a_browser(client: httpx.AsyncClient) -> None:
    """The address in `type` leads somewhere for people, too."""
    problem = (await client.post("/v1/prescriptions", json={})).json()
    page = await client.get(problem["type"], headers={"accept": "text/html,*/*"})
    assert page.headers["content-type"].startswith("text/html")
    assert "How to mend it" in page.text
    assert "<script" not in page.text


async def test_catalogues_answer_without_a_key(client: httpx.AsyncClient) -> None:
    """Open to read; members as the contract names them."""
    no_key = {"authorization": ""}
    exercises = (await client.get("/v1/exercises", headers=no_key)).json()["exercises"]
    assert len(exercises) >= 60
    assert set(exercises[0]) == {"id", "name", "joints", "equipment", "under_bar", "muscles"}
    assert set((await client.get("/v1/muscles", headers=no_key)).json()["muscles"][0]) == {"id", "name"}
    policies = (await client.get("/v1/policies", headers=no_key)).json()["policies"]
    assert set(policies[0]) == {"version", "digest", "valid_from"}
    entry = (await client.get("/v1/evidence/LAS22", headers=no_key)).json()
    assert {
        "key",
        "citation",
        "doi",
        "year",
        "design",
        "finding",
        "licenses",
        "limits",
        "grade",
        "status",
    } == set(entry)
    policy = (await client.get("/v1/policies/2026-11-25", headers=no_key)).json()
    assert policy["digest"] == policies[0]["digest"]
    assert {factor["factor"] for factor in policy["factors"]} >= {"base", "recovery", "goal"}
