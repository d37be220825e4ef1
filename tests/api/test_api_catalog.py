"""The catalogue of RFC 9727: programs that know only the host find the rest."""

import json
from typing import Any

import httpx
import jsonschema

from tests.api.problem_shape import assert_problem

PATH = "/.well-known/api-catalog"
RELATIONS = ("item", "service-desc", "service-doc", "status")
# RFC 9264, section 4.2: the shape of a linkset in JSON.
TARGET = {
    "type": "object",
    "required": ["href"],
    "properties": {"href": {"type": "string", "minLength": 1}, "type": {"type": "string"}},
}
LINKSET = {
    "type": "object",
    "required": ["linkset"],
    "properties": {
        "linkset": {
            "type": "array",
            "items": {
                "type": "object",
                "properties": {"anchor": {"type": "string"}},
                "additionalProperties": {"type": "array", "minItems": 1, "items": TARGET},
            },
        }
    },
}


def targets(catalog: dict[str, Any], relation: str) -> list[dict[str, str]]:
    """Return every target of a relation, whatever its anchor."""
    return [target for context in catalog["linkset"] for target in context.get(relation, [])]


async def test_the_catalogue_is_a_linkset_with_the_profile(client: httpx.AsyncClient) -> None:
    """Media type and profile of RFC 9727, section 4; no key is needed."""
    answer = await client.get(PATH, headers={"authorization": ""})
    assert answer.status_code == 200
    assert answer.headers["cache-control"].startswith("public")
    assert (
        answer.headers["content-type"]
        == 'application/linkset+json; profile="https://www.rfc-editor.org/info/rfc9727"'
    )
    catalog = answer.json()
    jsonschema.validate(catalog, LINKSET)
    assert all(targets(catalog, relation) for relation in RELATIONS)


async def test_what_the_catalogue_names_is_there(client: httpx.AsyncClient) -> None:
    """Each target answers, with the type that was told; the API itself is every other path's beginning."""
    catalog = (await client.get(PATH)).json()
    for relation in ("service-desc", "service-doc", "status"):
        for target in targets(catalog, relation):
            answer = await client.get(target["href"], headers={"accept": target["type"]})
            assert answer.status_code in {200, 503}, target  # not ready is an answer, too
            assert answer.headers["content-type"].startswith(target["type"]) or answer.status_code == 503
    described = targets(catalog, "service-desc")[0]["href"]
    paths = json.loads((await client.get(described)).content)["paths"]
    (api,) = targets(catalog, "item")
    assert sum(path.startswith(f"{api['href']}/") for path in paths) > 20


async def test_head_tells_the_links(client: httpx.AsyncClient) -> None:
    """RFC 9727, section 2: who asks with HEAD finds the relations in Link."""
    head = await client.head(PATH)
    assert (head.status_code, head.content) == (200, b"")
    assert head.links["api-catalog"]["url"] == PATH
    assert head.links["item"]["url"] == "/v1"


async def test_the_catalogue_takes_no_other_method(client: httpx.AsyncClient) -> None:
    """It is read, never written."""
    assert_problem(await client.post(PATH), 405)
