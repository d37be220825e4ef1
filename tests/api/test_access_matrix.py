"""Who may call what: every operation of the document by scope, tenant and site. None is left out.

Operations, the scopes they need and what they name come from the document; bodies from its examples. An operation that
names a new kind of thing, or lets a stranger do something by its id, has to be told here.
"""

import json
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from itertools import chain, combinations
from typing import Any, NamedTuple

import httpx
import pytest

from service.api.document import DOCUMENT_PATH
from service.storage.keys import SCOPES, NewKey
from tests.api.gym import GYM, LIFTER, RIVAL, export, id_of, log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.serving import make_key, served

DOCUMENT: dict[str, Any] = json.loads(DOCUMENT_PATH.read_text("utf-8"))
OPERATIONS: dict[str, tuple[str, str, dict[str, Any]]] = {
    operation["operationId"]: (method.upper(), place, operation)
    for place, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
}
CLOSED = [name for name, (_, _, operation) in OPERATIONS.items() if operation["security"]]
NAMING = [name for name in CLOSED if "{" in OPERATIONS[name][1]]
CANARY = "canary-7d41"
SITE, OTHER_SITE = f"{CANARY}-site", "elsewhere"
BODIES = {"putSet": set_body(1, reps=6), "createKey": {"scopes": ["prescribe"]}}
NAMED_OPEN = {"slug": "not-found", "key": "LAS22", "version": "2026-11-25"}
# By an id of somebody else's these do something all the same, for the caller alone.
OF_ONES_OWN = {
    "putLifter": 201,
    "createSets": 201,
    "createLifterPrescription": 200,
    "createLifterPlanPrescription": 200,
    "putSite": 201,
}
# Within the tenant an id cannot be had twice; a stranger of another site gets a cold start.
AT_ANOTHER_SITE = {"createLifterPrescription": 200, "createLifterPlanPrescription": 200}
# A tenant whose lifters are real has no sandbox: 404 for its own keys, too.
IN_SANDBOXES_ALONE = ("emptySandbox",)
FOR_THE_WHOLE_TENANT = "that is bound to no site"


class Owner(NamedTuple):
    """The owner's client and what there is to find: a lifter with a set, at a site; a key; an entry of the audit."""

    client: httpx.AsyncClient
    named: dict[str, str]
    url: str

    async def everything(self) -> tuple[bytes, ...]:
        """What must not change when strangers call."""
        pages = [await self.client.get(page) for page in ("/v1/sites", "/v1/keys")]
        keys = [{**key, "last_used_at": None} for key in pages[1].json()["keys"]]
        return await export(self.client), pages[0].content, json.dumps(keys).encode()


@pytest.fixture
async def owner(database_url: str) -> AsyncIterator[Owner]:
    """The owner, once the house is full."""
    key = await make_key(database_url, *SCOPES, tenant=GYM)
    spare = await make_key(database_url, tenant=GYM, sites=[SITE], label=CANARY)
    async with served(database_url, token=key.token) as client:
        await client.put(path(), json={"site": SITE, "cautions": ["pregnancy"]})
        await log(client, set_body(1, note=CANARY), set_body(2, set_endpoint="momentary_failure"))
        entry = (await client.get("/v1/audit")).json()["entries"][0]["entry_id"]
        named = {
            "lifter_id": LIFTER,
            "set_id": id_of(1),
            "key_id": spare.key_id,
            "site": SITE,
            "entry_id": entry,
        }
        yield Owner(client, NAMED_OPEN | named, database_url)


async def call(client: httpx.AsyncClient, name: str, named: dict[str, str]) -> httpx.Response:
    """Call an operation with a valid body on the things named."""
    method, place, operation = OPERATIONS[name]
    body = {}
    if "requestBody" in operation:
        examples = operation["requestBody"]["content"]["application/json"]["examples"]
        body = {"json": BODIES.get(name) or next(iter(examples.values()))["value"]}
    return await client.request(method, place.format_map(named), **body)


def shows(answer: httpx.Response) -> bool:
    """Whether an answer holds anything of the owner's beyond the address that was called."""
    return CANARY in answer.text.replace(answer.request.url.path, "")


def needed(name: str) -> set[str]:
    """The scopes an operation needs, as the document says."""
    return set(OPERATIONS[name][2]["security"][0]["apiKey"])


def test_the_document_says_who_may_call() -> None:
    """Keys and tokens alike, with scopes there are; what changes something is never open."""
    for name, (method, _, operation) in OPERATIONS.items():
        if operation["security"]:
            assert [list(each) for each in operation["security"]] == [["apiKey"], ["jwt"]], name
            assert needed(name), name
            assert needed(name) <= set(SCOPES), name
            assert operation["security"][1]["jwt"] == operation["security"][0]["apiKey"]
        else:
            assert method == "GET", name
    assert set(CLOSED) > set(NAMING) > {"getLifter"}
    assert {scope for name in CLOSED for scope in needed(name)} == set(SCOPES)


async def test_without_a_key_the_closed_are_closed_and_the_open_open(owner: Owner) -> None:
    """401 or an answer, as the document says."""
    async with served(owner.url) as client:
        for name, (_, _, operation) in OPERATIONS.items():
            answer = await call(client, name, owner.named)
            if operation["security"]:
                assert_problem(answer, 401)
            else:
                assert answer.status_code == 200, name
            assert not shows(answer), name


SUBSETS = tuple(chain.from_iterable(combinations(SCOPES, count) for count in range(1, len(SCOPES) + 1)))


@pytest.mark.parametrize("scopes", SUBSETS, ids="+".join)
async def test_an_operation_opens_to_all_its_scopes_and_no_others(
    owner: Owner, scopes: tuple[str, ...]
) -> None:
    """Every set of scopes at every operation: 403 exactly where one is missing, which it names."""
    key = await make_key(owner.url, *scopes, tenant=GYM)
    async with served(owner.url, token=key.token) as client:
        # What deletes comes last.
        for name in sorted(CLOSED, key=lambda name: OPERATIONS[name][0] == "DELETE"):
            answer = await call(client, name, owner.named)
            missing = needed(name) - set(scopes)
            if missing:
                detail = assert_problem(answer, 403)["detail"]
                assert any(f"'{scope}'" in detail for scope in missing), name
            elif name == "createKey" and "prescribe" not in scopes:
                assert_problem(answer, 403)  # nobody gives what they have not
            else:
                assert answer.status_code != 401, name
                assert answer.status_code != 403 or name == "rotateKey", name


async def stranger(stack: AsyncExitStack, url: str, **key: Any) -> tuple[httpx.AsyncClient, NewKey]:
    """A client with every scope, of another tenant or bound to other sites, and its key."""
    made = await make_key(url, *SCOPES, **key)
    return await stack.enter_async_context(served(url, token=made.token)), made


async def test_another_tenants_things_are_not_there(owner: Owner) -> None:
    """404 by every id, nothing shown in any answer, nothing changed; what makes something makes one's own."""
    async with AsyncExitStack() as stack:
        rival, _ = await stranger(stack, owner.url, tenant=RIVAL)
        before = await owner.everything()
        for name in CLOSED:
            if name in OF_ONES_OWN:
                continue
            answer = await call(rival, name, owner.named)
            if name in NAMING or name in IN_SANDBOXES_ALONE:
                assert answer.status_code == 404, name
                assert_problem(answer, 404)
            else:
                assert answer.status_code in (200, 201), name
            assert not shows(answer), name
        for name, status in OF_ONES_OWN.items():
            answer = await call(rival, name, owner.named)
            assert answer.status_code == status, name
            assert name == "putSite" or not shows(answer), name
            assert await owner.everything() == before
        for name in NAMING:
            if name.startswith("delete"):
                await call(rival, name, owner.named)
        assert await owner.everything() == before


async def test_another_sites_things_are_not_there(owner: Owner) -> None:
    """The same within the tenant; what is the whole tenant's is 403, as the document says of it."""
    async with AsyncExitStack() as stack:
        client, key = await stranger(stack, owner.url, tenant=GYM, sites=[OTHER_SITE])
        before = await owner.everything()
        for name in CLOSED:
            if name == "createKey":
                continue  # has to name a site: below
            answer = await call(client, name, owner.named)
            if FOR_THE_WHOLE_TENANT in OPERATIONS[name][2]["description"]:
                assert assert_problem(answer, 403)["type"] == "/problems/bound-to-sites"
            elif name in AT_ANOTHER_SITE:
                assert answer.status_code == AT_ANOTHER_SITE[name], name
            elif name in NAMING:
                assert answer.status_code == 404, name
                assert_problem(answer, 404)
            else:
                assert answer.status_code == 200, name
            assert not shows(answer), name
        assert await owner.everything() == before
        assert_problem(await call(client, "createKey", owner.named), 422, "#/sites")
        listed = (await client.get("/v1/keys")).json()["keys"]
        assert [each["key_id"] for each in listed] == [key.key_id]


async def test_ones_own_sites_things_are_there(owner: Owner) -> None:
    """The other side: a key of the site gets through where the stranger of another does not."""
    async with AsyncExitStack() as stack:
        client, _ = await stranger(stack, owner.url, tenant=GYM, sites=[SITE])
        for name in sorted(CLOSED, key=lambda name: OPERATIONS[name][0] == "DELETE"):
            if name == "deleteLifter":
                continue  # after the sets
            answer = await call(client, name, owner.named)
            if FOR_THE_WHOLE_TENANT in OPERATIONS[name][2]["description"]:
                assert_problem(answer, 403)
            elif name != "createKey":
                assert answer.status_code in (200, 201, 204), name
        assert (await call(client, "deleteLifter", owner.named)).status_code == 204
