"""The committed document says what is served, and what is served is in it."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from service.api.document import DOCUMENT_PATH, document_bytes
from service.api.document_texts import PATH_EXAMPLES
from service.app import litestar_app
from service.policy.catalogue import load_policies
from tests.contract.examples import Example, answer_to, examples, settled
from tests.serving import settings_for

ROOT = Path(__file__).parents[2]
DOCUMENT: dict[str, Any] = json.loads(DOCUMENT_PATH.read_text("utf-8"))
OPERATIONS = [
    (path, method, operation)
    for path, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
]


def resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """Return a schema that can be used by itself: components come along."""
    return {**schema, "components": DOCUMENT["components"]}


def test_the_committed_document_is_made_from_the_code() -> None:
    """`effort document` writes it; drift fails."""
    app = litestar_app(settings_for("sqlite:///unused.db"), load_policies())
    assert document_bytes(app).decode() == DOCUMENT_PATH.read_text("utf-8")


@pytest.mark.parametrize("seed", ["1", "2"])
def test_the_document_does_not_depend_on_hash_order(seed: str) -> None:
    """The same bytes in every process."""
    done = subprocess.run(
        [sys.executable, "-m", "service", "document", "--check"],
        cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": seed},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


# What the page and the reference for people are made of: no contract, but no secret either.
OF_THE_PAGE = {("/", "get"), ("/page/{name}", "get"), ("/page/access", "get"), ("/page/forms", "get")}
OF_THE_REFERENCE = {
    ("/docs", "get"),
    ("/docs/{name}", "get"),
    ("/policies", "get"),
    ("/policies/{version}", "get"),
    ("/policies/{version}/{name}", "get"),
    ("/numbers/{name}", "get"),
    ("/evidence", "get"),
    ("/evidence/{key}", "get"),
}


def test_every_served_route_is_documented_and_the_reverse() -> None:
    """No hidden door: what is not in the document makes pages, and is named here."""
    app = litestar_app(settings_for("sqlite:///unused.db"), load_policies())
    found = {
        (route.path_format, method.lower())
        for route in app.routes
        for method in getattr(route, "methods", ())
        if method != "OPTIONS"
    }
    assert found == {(path, method) for path, method, _ in OPERATIONS} | OF_THE_PAGE | OF_THE_REFERENCE


def test_operations_are_complete() -> None:
    """Stable ids, summaries, descriptions, tags, security said outright, errors as problems."""
    ids = [operation["operationId"] for _, _, operation in OPERATIONS]
    assert len(set(ids)) == len(ids)
    tags = {tag["name"] for tag in DOCUMENT["tags"]}
    for _, _, operation in OPERATIONS:
        assert operation["summary"]
        assert operation["description"]
        assert set(operation["tags"]) <= tags
        assert "security" in operation
        for status, response in operation["responses"].items():
            if int(status) >= 400:
                assert list(response["content"]) == ["application/problem+json"]


def test_statuses_that_depend_on_the_store_are_declared() -> None:
    """503 wherever the store, the load or the time may be short; no generated call can bring that about."""
    spared = {entry["operationId"] for _, _, entry in OPERATIONS if "503" not in entry["responses"]}
    assert spared == {"getLiveness", "getMetrics"}
    for _, _, entry in OPERATIONS:
        if entry["operationId"] not in spared:
            assert "Retry-After" in entry["responses"]["503"]["headers"]


def test_what_is_limited_says_so() -> None:
    """429 with its headers, and what is left on every success, where a key is needed; nowhere else."""
    for _, _, entry in OPERATIONS:
        for status, response in entry["responses"].items():
            told = {"RateLimit", "RateLimit-Policy"} & set(response["headers"])
            limited = bool(entry["security"]) and (status == "429" or status < "300")
            assert len(told) == (2 if limited else 0), (entry["operationId"], status)
        assert ("429" in entry["responses"]) == bool(entry["security"])
        assert "429" not in entry["responses"] or "Retry-After" in entry["responses"]["429"]["headers"]


def test_schemas_are_sound_json_schema() -> None:
    """Every component can be used as a schema, and leaves no Python behind."""
    for schema in DOCUMENT["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(resolved(schema))
    assert "\\\\Z" not in DOCUMENT_PATH.read_text("utf-8")
    assert DOCUMENT["components"]["schemas"]["SetContext"]["additionalProperties"] is False


def test_every_operation_with_a_body_has_an_example() -> None:
    """A newcomer finds something to send, and what a refusal looks like."""
    with_body = {operation["operationId"] for _, _, operation in OPERATIONS if "requestBody" in operation}
    assert {example.operation_id for example in examples() if example.sent == "request"} == with_body
    assert {example.answered for example in examples()} == {"response", "brief", "problem"}


def schema_of(entry: dict[str, Any], media_type: str) -> jsonschema.Draft202012Validator:
    """Return the validator of a request body or response."""
    return jsonschema.Draft202012Validator(resolved(entry["content"][media_type]["schema"]))


@pytest.mark.parametrize(
    "example", examples(), ids=lambda example: f"{example.operation_id}.{example.name}.{example.answered}"
)
async def test_examples_are_valid_and_answered_as_printed(example: Example) -> None:
    """The request fits its schema or does not, the answer is the committed one and fits its own."""
    operation = next(entry for _, _, entry in OPERATIONS if entry["operationId"] == example.operation_id)
    if example.sent is not None:
        fits = schema_of(operation["requestBody"], "application/json").is_valid(example.read(example.sent))
        assert fits == (example.sent == "request")
    response = await answer_to(example)
    assert response.status_code == example.status, response.text
    media_type = response.headers["content-type"]
    schema_of(operation["responses"][str(example.status)], media_type).validate(response.json())
    assert settled(response.json()) == example.read(example.answered), (
        "run `python -m tests.contract.examples` to write example answers anew, then read the change"
    )


def test_every_operation_can_be_shown_and_tried_as_it_stands() -> None:
    """A path parameter has an example that its schema takes, a body at least one (checked above against its schema)."""
    bodies, places = 0, set()
    for path, _, operation in OPERATIONS:
        for parameter in operation.get("parameters", ()):
            if parameter["in"] == "path":
                jsonschema.validate(parameter["example"], resolved(parameter["schema"]))
                places.add(parameter["name"])
        if "requestBody" in operation:
            assert operation["requestBody"]["content"]["application/json"]["examples"], path
            bodies += 1
    assert places == set(PATH_EXAMPLES)
    assert bodies
