"""What the page is made of: its files, their headers, and the key it may have."""

import re
from collections.abc import Iterator

import httpx
import pytest

from service.api.html_answers import CONTENT_SECURITY_POLICY
from service.page.assets import HOME, STATIC, static_assets
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import make_key, served

LIFTERS = "otter-7: says too little; wren-1"


@pytest.fixture
def url() -> Iterator[str]:
    """A database."""
    with fresh_database("sqlite") as found:
        yield found


async def test_the_page_and_its_files_are_served_strictly(client: httpx.AsyncClient) -> None:
    """Right types, one policy, nothing sniffed, told or embedded; no key is needed."""
    types = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
    for path in ("/", *(f"/page/{name}" for name in static_assets())):
        answer = await client.get(path, headers={"authorization": ""})
        wanted = types.get(path[path.rfind(".") :], "text/html") if path != "/" else "text/html"
        assert answer.status_code == 200, path
        assert answer.headers["content-type"].partition(";")[0] == wanted
        assert answer.headers.get_list("content-security-policy") == [CONTENT_SECURITY_POLICY]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cross-origin-opener-policy"] == "same-origin"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert "unsafe" not in CONTENT_SECURITY_POLICY


async def test_a_browser_that_has_a_file_gets_304(client: httpx.AsyncClient) -> None:
    """RFC 9110, section 13.1.2; and it asks every time, so that two releases never mix."""
    first = await client.get("/page/main.js")
    assert first.headers["cache-control"] == "public, no-cache"
    again = await client.get("/page/main.js", headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    "name", ["nothing.js", "home.html", "..%2Fassets.py", "%2e%2e%2fframe.html", "main.js%00"]
)
async def test_only_files_of_the_page_are_served(client: httpx.AsyncClient, name: str) -> None:
    """What is not named by the page is not there."""
    assert_problem(await client.get(f"/page/{name}"), 404)


def test_no_file_of_the_page_asks_another_origin_or_is_missing() -> None:
    """Whatever a file imports is a file of the page; no address with a host stands in any but SVG's own name."""
    for path in (*STATIC.iterdir(), HOME):
        told = path.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert re.search(r"(https?:)?//[a-z]+\.", told) is None, path.name
        imported = re.findall(r'from "\./([a-z_.]+)"', told)
        assert set(imported) <= set(static_assets())
        assert 'style="' not in told
        assert re.search(r"\son[a-z]+=\"", told) is None


async def test_without_a_setting_no_key_is_handed_out(url: str) -> None:
    """Off by default."""
    async with served(url) as client:
        answer = await client.get("/page/access")
        assert answer.json() == {"key": None, "lifters": []}
        assert answer.headers["cache-control"] == "no-store"


async def test_a_key_that_can_do_no_harm_is_handed_out_with_the_lifters(url: str) -> None:
    """It may prescribe and read."""
    key = await make_key(url, "prescribe", "history:read")
    async with served(url, EFFORT_PAGE_KEY=key.token, EFFORT_PAGE_LIFTERS=LIFTERS) as client:
        lifters = [{"lifter_id": "otter-7", "story": "says too little"}, {"lifter_id": "wren-1", "story": ""}]
        assert (await client.get("/page/access")).json() == {"key": key.token, "lifters": lifters}


@pytest.mark.parametrize("scope", ["history:write", "admin"])
async def test_a_key_that_may_change_anything_is_never_handed_out(url: str, scope: str) -> None:
    """Whatever the operator has set; nor are the lifters named."""
    key = await make_key(url, "prescribe", scope)
    async with served(url, EFFORT_PAGE_KEY=key.token, EFFORT_PAGE_LIFTERS=LIFTERS) as client:
        answer = await client.get("/page/access")
        assert answer.json() == {"key": None, "lifters": []}
        assert key.token not in answer.text


async def test_a_key_that_is_not_alive_is_not_handed_out(url: str) -> None:
    """The page asks for one instead."""
    async with served(url, EFFORT_PAGE_KEY="effk_nobodys") as client:
        assert (await client.get("/page/access")).json() == {"key": None, "lifters": []}


async def test_forms_hold_the_schemas_of_the_document(client: httpx.AsyncClient) -> None:
    """With all they refer to, and the example plans."""
    forms = (await client.get("/page/forms")).json()
    document = (await client.get("/openapi.json")).json()
    assert {"SetContext", "ExerciseTraits", "ExerciseId", "Plan", "PlanSet"} <= set(forms["schemas"])
    named = set(re.findall(r"#/components/schemas/(\w+)", str(forms["schemas"])))
    assert named <= set(forms["schemas"])
    for name, schema in forms["schemas"].items():
        assert schema == document["components"]["schemas"][name]
    assert "pressing-day" in forms["plans"]
