"""The examples of the document: what is sent, in which order, and what a service answers.

`python -m tests.contract.examples` writes the answers anew; read the change.
"""

import asyncio
import json
from typing import Any, NamedTuple

import httpx
import msgspec

from service.api.document import DOCUMENT_PATH, EXAMPLES
from tests.databases import fresh_database
from tests.serving import make_key, served

DOCUMENT: dict[str, Any] = json.loads(DOCUMENT_PATH.read_text("utf-8"))
OPERATIONS = {
    operation["operationId"]: (path, method, operation)
    for path, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
}
# What a lifter's examples build on, in this order.
HISTORY = ("putLifter.novice", "createSets.two-sessions")
SCOPES = ("prescribe", "history:read", "history:write")
CREATED, OK, REFUSED = 201, 200, 422
QUERIES = {
    "createPlanPrescription": "?detail=brief",
    "createLifterPlanPrescription": "?detail=brief",
    "getState": "?at=2026-11-23T18:00:00Z",
    "listSets": "?limit=2",
}
PATHS = {"lifter_id": "lark-4", "set_id": "0193f8a4-7c00-7000-8000-000000000003"}


class Example(NamedTuple):
    """One example of the document: what is sent, if anything, and the file that holds the answer."""

    operation_id: str
    name: str
    sent: str | None
    answered: str
    status: int
    query: str = ""

    def read(self, side: str) -> Any:
        """Return one of its files."""
        return json.loads((EXAMPLES / f"{self.operation_id}.{self.name}.{side}.json").read_text("utf-8"))

    @property
    def path(self) -> str:
        """Where it is sent."""
        template: str = OPERATIONS[self.operation_id][0]
        return template.format(**PATHS) + self.query


def _example(operation_id: str, name: str, side: str) -> Example | None:
    done = CREATED if operation_id in ("putLifter", "createSets") else OK
    query = QUERIES.get(operation_id, "")
    if side == "request":
        return Example(operation_id, name, side, "response", done, query)
    if side == "brief":
        return Example(operation_id, name, "request", side, OK, "?detail=brief")
    if side == "refused":
        return Example(operation_id, name, side, "problem", REFUSED, query)
    if side == "response" and "requestBody" not in OPERATIONS[operation_id][2]:
        return Example(operation_id, name, None, side, OK, query)
    return None


def examples() -> list[Example]:
    """Every file with something to send, and every answer to a read, with the answer or answers it should get."""
    found = (_example(*file.name.split(".")[:3]) for file in sorted(EXAMPLES.glob("*.json")))
    return [example for example in found if example is not None]


async def _send(client: httpx.AsyncClient, example: Example) -> httpx.Response:
    body = None if example.sent is None else example.read(example.sent)
    method = OPERATIONS[example.operation_id][1]
    return await client.request(method, example.path, json=body, headers={"x-request-id": "example"})


async def answer_to(example: Example) -> httpx.Response:
    """Return what a fresh service answers, after the history where the example is a lifter's."""
    with fresh_database("sqlite") as url:
        key = await make_key(url, *SCOPES)
        async with served(url, token=key.token) as client:
            for before in HISTORY if "{lifter_id}" in OPERATIONS[example.operation_id][0] else ():
                if before.startswith(example.operation_id):
                    break
                earlier = _example(*before.split("."), "request")
                assert earlier is not None
                assert (await _send(client, earlier)).status_code == CREATED
            return await _send(client, example)


async def refresh() -> None:
    """Write the answers of all examples."""
    for example in examples():
        response = await answer_to(example)
        target = EXAMPLES / f"{example.operation_id}.{example.name}.{example.answered}.json"
        target.write_bytes(msgspec.json.format(response.content, indent=2) + b"\n")


if __name__ == "__main__":
    asyncio.run(refresh())
