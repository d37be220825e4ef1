"""The committed document says what is served, and what is served is in it."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import msgspec
import pytest

from service.api.document import DOCUMENT_PATH, EXAMPLES, document_bytes
from service.app import litestar_app
from service.policy.catalogue import load_policies
from tests.databases import fresh_database
from tests.serving import make_key, served, settings_for

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


def test_every_served_route_is_documented_and_the_reverse() -> None:
    """No hidden door."""
    app = litestar_app(settings_for("sqlite:///unused.db"), load_policies())
    found = {
        (route.path_format, method.lower())
        for route in app.routes
        for method in getattr(route, "methods", ())
        if method != "OPTIONS"
    }
    assert found == {(path, method) for path, method, _ in OPERATIONS}


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
    """503 where a key is looked up, and where readiness is asked; no generated call can take the store away."""
    asking = {"getReadiness"} | {entry["operationId"] for _, _, entry in OPERATIONS if entry["security"]}
    declared = {entry["operationId"] for _, _, entry in OPERATIONS if "503" in entry["responses"]}
    assert declared == asking
    for _, _, entry in OPERATIONS:
        if entry["operationId"] in asking:
            assert "Retry-After" in entry["responses"]["503"]["headers"]


def test_schemas_are_sound_json_schema() -> None:
    """Every component can be used as a schema, and leaves no Python behind."""
    for schema in DOCUMENT["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(resolved(schema))
    assert "\\\\Z" not in DOCUMENT_PATH.read_text("utf-8")
    assert DOCUMENT["components"]["schemas"]["SetContext"]["additionalProperties"] is False


def examples() -> list[tuple[str, str, str]]:
    """Operation id, name and path of each example request."""
    paths = {operation["operationId"]: path for path, _, operation in OPERATIONS}
    found = []
    for file in sorted(EXAMPLES.glob("*.request.json")):
        operation_id, name, *_ = file.name.split(".")
        found.append((operation_id, name, paths[operation_id]))
    return found


def test_every_operation_with_a_body_has_an_example() -> None:
    """A newcomer finds something to send."""
    with_body = {operation["operationId"] for _, _, operation in OPERATIONS if "requestBody" in operation}
    assert {operation_id for operation_id, _, _ in examples()} == with_body


def read_example(operation_id: str, name: str, side: str) -> Any:
    """Return one example file."""
    return json.loads((EXAMPLES / f"{operation_id}.{name}.{side}.json").read_text("utf-8"))


@pytest.mark.parametrize(("operation_id", "name", "path"), examples())
async def test_examples_are_valid_and_answered_as_printed(operation_id: str, name: str, path: str) -> None:
    """The request fits its schema, the service answers it, the answer is the committed one and fits its schema."""
    operation = next(entry for _, _, entry in OPERATIONS if entry["operationId"] == operation_id)
    sent = read_example(operation_id, name, "request")
    body_schema = operation["requestBody"]["content"]["application/json"]["schema"]
    jsonschema.Draft202012Validator(resolved(body_schema)).validate(sent)
    response = await answer_to(path, sent)
    assert response.status_code == 200, response.text
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.Draft202012Validator(resolved(schema)).validate(response.json())
    assert response.json() == read_example(operation_id, name, "response"), (
        "run `python -m tests.contract.test_document` to write example answers anew, then read the change"
    )


async def answer_to(path: str, sent: Any) -> httpx.Response:
    """Return what a fresh service answers."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with served(url, token=key.token) as client:
            return await client.post(path, json=sent)


async def refresh_examples() -> None:
    """Write the answers of all example requests."""
    for operation_id, name, path in examples():
        response = await answer_to(path, read_example(operation_id, name, "request"))
        target = EXAMPLES / f"{operation_id}.{name}.response.json"
        target.write_bytes(msgspec.json.format(response.content, indent=2) + b"\n")


if __name__ == "__main__":
    import asyncio

    asyncio.run(refresh_examples())
