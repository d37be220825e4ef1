"""The audit over HTTP: one entry for each change and none for what changed nothing; the receipt of an erasure."""

from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest

from service.storage.audit import OPERATIONS
from service.storage.engine import Store
from tests.api.gym import (
    ALL_HISTORY,
    GYM,
    LIFTER,
    RIVAL,
    gym,
    id_of,
    log,
    path,
    post_sets,
    set_body,
)
from tests.api.problem_shape import assert_problem
from tests.api.test_other_tenants import DOCUMENT
from tests.serving import make_key, served
from tests.storage.test_erasure import traces

EVERYTHING = (*ALL_HISTORY, "admin")
OF_LIFTERS = ("putLifter", "deleteLifter", "createSets", "putSet", "deleteSet")


async def entries(client: httpx.AsyncClient, **asked: Any) -> list[dict[str, Any]]:
    """Every entry about lifters, newest first, page by page."""
    found: list[dict[str, Any]] = []
    cursor: dict[str, str] = {}
    while True:
        answer = await client.get("/v1/audit", params=asked | cursor)
        assert answer.status_code == 200, answer.text
        page = answer.json()
        found += [each for each in page["entries"] if each["operation"] in OF_LIFTERS]
        if page["next"] is None:
            return found
        cursor = {"cursor": page["next"]}


def told(found: list[dict[str, Any]]) -> list[tuple[str, str, int]]:
    """Operation, outcome and sets of each entry, oldest first."""
    return [(each["operation"], each["outcome"], each["sets"]) for each in reversed(found)]


async def test_every_change_has_one_entry(database_url: str) -> None:
    """In order; each tells who, what, when, how much, and the request it came with."""
    key = await make_key(database_url, *EVERYTHING, tenant=GYM)
    async with served(database_url, token=key.token) as client:
        changes = (
            client.put(path(), json={"experience": "novice"}),
            client.put(path(), json={"experience": "advanced"}),
            post_sets(client, set_body(1), set_body(2)),
            post_sets(client, set_body(2), set_body(3)),
            client.put(path("sets", id_of(1)), json=set_body(1, reps=9)),
            client.delete(path("sets", id_of(2))),
            client.delete(path()),
        )
        answers = [await change for change in changes]
        found = await entries(client)
    assert [answer.status_code for answer in answers] == [201, 200, 201, 201, 200, 204, 204]
    assert told(found) == [
        ("putLifter", "created", 0),
        ("putLifter", "changed", 0),
        ("createSets", "created", 2),
        ("createSets", "created", 1),
        ("putSet", "changed", 1),
        ("deleteSet", "deleted", 1),
        ("deleteLifter", "erased", 2),
    ]
    assert [each["request_id"] for each in reversed(found)] == [a.headers["x-request-id"] for a in answers]
    assert {each["actor"] for each in found} == {f"key:{key.key_id}"}
    assert len({each["lifter_tag"] for each in found}) == 1
    assert [UUID(each["entry_id"]).version for each in found] == [7] * 7
    assert sorted(each["recorded_at"] for each in found) == [each["recorded_at"] for each in reversed(found)]


async def test_what_changes_nothing_has_no_entry(database_url: str) -> None:
    """Replays, sets known already, a profile or set put as it is, refusals, conflicts, reads."""
    async with gym(database_url, *EVERYTHING) as client:
        await client.put(path(), json={"experience": "novice"})
        first = await post_sets(client, set_body(1), idempotency_key="k")
        before = await entries(client)
        replayed = await post_sets(client, set_body(1), idempotency_key="k")
        assert replayed.headers["idempotent-replayed"] == "true"
        assert (first.status_code, replayed.status_code) == (201, 201)
        answers = [
            await post_sets(client, set_body(1)),
            await post_sets(client, set_body(1), idempotency_key="another"),
            await client.put(path(), json={"experience": "novice"}),
            await client.put(path("sets", id_of(1)), json=set_body(1)),
            await post_sets(client, set_body(1, reps=20), set_body(2)),
            await post_sets(client, set_body(3, reps=-1)),
            await client.put(path(), json={"experience": "novice"}, headers={"if-match": '"other"'}),
            await client.put(path("sets", id_of(9)), json=set_body(9)),
            await client.delete(path("sets", id_of(9))),
            await client.delete(path(lifter="nobody")),
            await client.get(path("state")),
            await client.get(path("export")),
            await client.post(path("prescriptions"), json={"rep_target": 8}),
        ]
        expected = [200, 200, 200, 200, 409, 422, 412, 404, 404, 404, 200, 200, 200]
        assert [answer.status_code for answer in answers] == expected
        assert await entries(client) == before
        assert told(before) == [("putLifter", "created", 0), ("createSets", "created", 1)]


async def test_an_erasure_gives_a_receipt_that_outlives_the_lifter(database_url: str, store: Store) -> None:
    """The header names the entry: when, by whom, how many sets; nothing of the lifter is left, there neither."""
    lifter = "canary-9c2e"
    key = await make_key(database_url, *EVERYTHING, tenant=GYM)
    async with served(database_url, token=key.token) as client:
        sets = [set_body(number, note=f"of {lifter}") for number in range(1, 6)]
        await post_sets(client, *sets, lifter=lifter, x_request_id=f"session-{lifter}")
        erased = await client.delete(path(lifter=lifter), headers={"x-request-id": "erase-1"})
        receipt = erased.headers["effort-erasure-receipt"]
        entry = (await client.get(f"/v1/audit/{receipt}")).json()
        again = await client.delete(path(lifter=lifter))
        mine = await entries(client, lifter_id=lifter)
    assert erased.status_code == 204
    assert entry == {
        "entry_id": receipt,
        "recorded_at": entry["recorded_at"],
        "actor": f"key:{key.key_id}",
        "operation": "deleteLifter",
        "outcome": "erased",
        "lifter_tag": entry["lifter_tag"],
        "object_id": None,
        "request_id": "erase-1",
        "sets": 5,
    }
    assert_problem(again, 404)
    assert "effort-erasure-receipt" not in again.headers
    # Who knows the id still finds what was done to it; a request id made from the id was not kept.
    assert [(each["operation"], each["request_id"]) for each in mine] == [
        ("deleteLifter", "erase-1"),
        ("createSets", None),
    ]
    assert await traces(store, key.tenant_id, lifter) == {}


async def test_pages_follow_links_newest_first(database_url: str) -> None:
    """Each entry once; `Link` carries the filters along."""
    async with gym(database_url, *EVERYTHING) as client:
        await log(client, *(set_body(number) for number in range(1, 3)))
        for number in range(7):
            await client.put(path("sets", id_of(1)), json=set_body(1, reps=10 + number))
        whole = await entries(client, operation="putSet")
        assert len(whole) == 7
        found, address = [], "/v1/audit?limit=3&operation=putSet"
        while address:
            answer = await client.get(address)
            found += answer.json()["entries"]
            links = answer.links
            assert links["first"]["url"] == "/v1/audit?limit=3&operation=putSet"
            assert ("next" in links) == (answer.json()["next"] is not None)
            address = links.get("next", {}).get("url")
        assert found == whole
        middle = whole[3]["recorded_at"]
        assert [e for e in whole if e["recorded_at"] >= middle] == await entries(
            client, operation="putSet", **{"from": middle}
        )
        assert [e for e in whole if e["recorded_at"] < middle] == await entries(
            client, operation="putSet", to=middle
        )
        assert await entries(client, lifter_id="nobody") == []


async def test_unreadable_questions_are_refused(database_url: str) -> None:
    """Every bad parameter is named."""
    async with gym(database_url, "admin") as client:
        asked = {
            "limit": "0",
            "cursor": "x",
            "operation": "getState",
            "lifter_id": "-",
            "from": "today",
            "who": "me",
        }
        problem = assert_problem(await client.get("/v1/audit", params=asked), 422)
        assert sorted(each["parameter"] for each in problem["errors"]) == sorted(asked)
        assert_problem(await client.get("/v1/audit/not-a-uuid"), 422)
        assert_problem(await client.get(f"/v1/audit/{uuid4()}"), 404)
        assert_problem(await client.delete(f"/v1/audit/{uuid4()}"), 405)


@pytest.mark.parametrize("address", ["/v1/audit", f"/v1/audit/{UUID(int=1)}"])
async def test_only_an_admin_reads_the_audit(database_url: str, address: str) -> None:
    """No other scope implies it, and it implies no other."""
    async with gym(database_url, *ALL_HISTORY) as client:
        assert "'admin'" in assert_problem(await client.get(address), 403)["detail"]
    async with gym(database_url, "admin") as client:
        assert (await client.get(address)).status_code in (200, 404)
        assert_problem(await client.get(path()), 403)
    async with served(database_url) as client:
        assert_problem(await client.get(address), 401)


async def test_another_tenants_entries_are_not_there(database_url: str) -> None:
    """Not by id, not by lifter, not by a cursor of theirs."""
    async with (
        gym(database_url, *EVERYTHING, tenant=GYM) as mine,
        gym(database_url, *EVERYTHING, tenant=RIVAL) as rival,
    ):
        await log(mine, *(set_body(number) for number in range(1, 3)))
        await mine.put(path("sets", id_of(1)), json=set_body(1, reps=10))
        found = await entries(mine)
        assert len(found) == 2
        assert await entries(rival) == []
        assert await entries(rival, lifter_id=LIFTER) == []
        assert await entries(rival, cursor=UUID(int=2**128 - 1).hex) == []
        for each in found:
            assert_problem(await rival.get(f"/v1/audit/{each['entry_id']}"), 404)
            assert (await mine.get(f"/v1/audit/{each['entry_id']}")).json() == each


def test_every_operation_that_changes_something_is_audited() -> None:
    """A new route that writes has to be named among the audit's operations (and to write its entry)."""
    writing = {
        operation["operationId"]
        for item in DOCUMENT["paths"].values()
        for method, operation in item.items()
        if method != "get"
        and ("`history:write`" in operation["description"] or "`admin`" in operation["description"])
    }
    assert set(OF_LIFTERS) <= writing
    assert writing <= set(OPERATIONS)


async def test_a_key_bound_to_sites_adds_to_the_audit_and_cannot_read_it(database_url: str) -> None:
    """It tells of the whole tenant, so only a key of the whole tenant reads it."""
    bound = await make_key(database_url, *EVERYTHING, tenant=GYM, sites=["north"])
    async with served(database_url, token=bound.token) as client:
        await log(client, set_body(1))
        problem = assert_problem(await client.get("/v1/audit"), 403)
        assert problem["type"] == "/problems/bound-to-sites"
        assert_problem(await client.get(f"/v1/audit/{uuid4()}"), 403)
    async with gym(database_url, *EVERYTHING) as client:
        (entry,) = await entries(client, lifter_id=LIFTER)
    assert (entry["actor"], entry["sets"]) == (f"key:{bound.key_id}", 1)


async def test_keys_and_sites_are_audited_by_their_ids(database_url: str) -> None:
    """The id of a key and the name of a site, never a token, a label or a scope."""
    async with gym(database_url, "admin") as client:
        made = (await client.post("/v1/keys", json={"scopes": ["admin"], "label": "till 3"})).json()
        await client.post(f"/v1/keys/{made['key_id']}/rotations", json={})
        await client.delete(f"/v1/keys/{made['key_id']}")
        await client.put("/v1/sites/north")
        await client.put("/v1/sites/north")
        await client.delete("/v1/sites/north")
        answer = await client.get("/v1/audit")
    found = [each for each in answer.json()["entries"] if each["operation"] not in OF_LIFTERS]
    assert [(each["operation"], each["outcome"], each["object_id"]) for each in reversed(found)] == [
        ("createKey", "created", made["key_id"]),
        ("rotateKey", "changed", made["key_id"]),
        ("revokeKey", "revoked", made["key_id"]),
        ("putSite", "created", "north"),
        ("deleteSite", "deleted", "north"),
    ]
    assert {each["lifter_tag"] for each in found} == {None}
    for secret in (made["api_key"], "till 3"):
        assert secret not in answer.text
