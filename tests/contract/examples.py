"""The examples of the document: what is sent, in which order, and what a service answers.

`python -m tests.contract.examples` writes the answers anew; read the change.
"""

import asyncio
import json
from typing import Any, NamedTuple

import httpx
import msgspec

from service.api.document import DOCUMENT_PATH, EXAMPLES
from service.api.document_texts import PATH_EXAMPLES
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
SITE = PATH_EXAMPLES["site"]
NAMED = {"x-request-id": "example"}
SCOPES = ("prescribe", "history:read", "history:write", "admin")
CREATING = ("putLifter", "createSets", "createKey", "rotateKey")
CREATED, OK, REFUSED = 201, 200, 422
QUERIES = {
    "createPlanPrescription": "?detail=brief",
    "createLifterPlanPrescription": "?detail=brief",
    "getState": "?at=2026-11-23T18:00:00Z",
    "listSets": "?limit=2",
    "listAudit": "?limit=3",
}
# These look back on the history, and on the erasure of its lifter.
AFTERWARDS = ("listAudit", "getAuditEntry")
PATHS = {name: PATH_EXAMPLES[name] for name in ("lifter_id", "set_id")}
# What comes out otherwise each time a key is made, or a change noted, stands in the document like this.
DRAWN = {
    "key_id": "4fJ0aX91Qm2b",
    "api_key": f"effk_4fJ0aX91Qm2b_{'x' * 43}_000000",
    "created_at": "2026-11-25T09:00:00.000Z",
    "expires_at": "2027-02-23T09:00:00.000Z",
}
NOTED = {
    "entry_id": "0193f8a4-7c00-7000-8000-0000000000e{place}",
    "recorded_at": "2026-11-25T09:00:0{place}.000Z",
    "actor": "key:4fJ0aX91Qm2b",
    "lifter_tag": "5c1f0e9a7b3d48d2a6e4f1908273c5bd",
}


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

    def path(self, **drawn: str) -> str:
        """Where it is sent: `drawn` are the `key_id` of the key that sends it, and the `entry_id` of an erasure."""
        template: str = OPERATIONS[self.operation_id][0]
        return template.format(**PATHS, **drawn) + self.query


def _example(operation_id: str, name: str, side: str) -> Example | None:
    done = CREATED if operation_id in CREATING else OK
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


def settled(answer: Any) -> Any:
    """Return an answer with what was drawn for a new key or a noted change as the document shows it."""
    if not isinstance(answer, dict):
        return answer
    if "api_key" in answer:
        return answer | {name: shown for name, shown in DRAWN.items() if answer[name] is not None}
    if "entry_id" in answer:
        return _noted(0, answer)
    if "entries" in answer:
        entries = [_noted(place, each) for place, each in enumerate(reversed(answer["entries"]))]
        cursor = entries[0]["entry_id"].replace("-", "")
        return {"entries": entries[::-1], "next": answer["next"] and cursor}
    return answer


def _noted(place: int, entry: dict[str, Any]) -> dict[str, Any]:
    return entry | {
        name: shown.format(place=place) for name, shown in NOTED.items() if entry[name] is not None
    }


async def _send(client: httpx.AsyncClient, example: Example, **drawn: str) -> httpx.Response:
    body = None if example.sent is None else example.read(example.sent)
    method = OPERATIONS[example.operation_id][1]
    return await client.request(method, example.path(**drawn), json=body, headers=NAMED)


async def _lived(client: httpx.AsyncClient, example: Example, key_id: str) -> None:
    """Bring about what the example builds on."""
    for before in HISTORY:
        if before.startswith(example.operation_id):
            return
        earlier = _example(*before.split("."), "request")
        assert earlier is not None
        assert (await _send(client, earlier, key_id=key_id)).status_code == CREATED


async def answer_to(example: Example) -> httpx.Response:
    """Return what a fresh service answers, after the history where the example is a lifter's."""
    with fresh_database("sqlite") as url:
        key = await make_key(url, *SCOPES)
        async with served(url, token=key.token) as client:
            await client.put(f"/v1/sites/{SITE}")
            drawn = {"key_id": key.key_id}
            if "{lifter_id}" in OPERATIONS[example.operation_id][0] or example.operation_id in AFTERWARDS:
                await _lived(client, example, key.key_id)
            if example.operation_id in AFTERWARDS:
                erased = await client.delete(f"/v1/lifters/{PATHS['lifter_id']}", headers=NAMED)
                drawn["entry_id"] = erased.headers["effort-erasure-receipt"]
            return await _send(client, example, **drawn)


async def refresh() -> None:
    """Write the answers of all examples."""
    for example in examples():
        response = await answer_to(example)
        target = EXAMPLES / f"{example.operation_id}.{example.name}.{example.answered}.json"
        content = msgspec.json.encode(settled(response.json()))
        target.write_bytes(msgspec.json.format(content, indent=2) + b"\n")


if __name__ == "__main__":
    asyncio.run(refresh())
