"""Nobody reaches another tenant's lifters: every route of the document that names a lifter is tried.

Which routes there are comes from the document, which scopes they need from their handlers; a new route with a body
has to be given one here.
"""

import json
from collections.abc import Mapping
from typing import Any

import httpx
import pytest
from litestar.routes import HTTPRoute

from service.api.document import DOCUMENT_PATH
from service.app import litestar_app
from service.policy.catalogue import load_policies
from tests.api.gym import ALL_HISTORY, GYM, LIFTER, RIVAL, export, gym, id_of, log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.serving import make_key, served, settings_for

DOCUMENT: dict[str, Any] = json.loads(DOCUMENT_PATH.read_text("utf-8"))
OPERATIONS: dict[str, tuple[str, str, dict[str, Any]]] = {
    operation["operationId"]: (method, place, operation)
    for place, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
    if "{lifter_id}" in place
}
SET = set_body(1, reps=6, set_endpoint="momentary_failure", note="of the other gym")
PLANNED = {"rep_target": 8, "exercise": "barbell_bench_press", "load_kg": 80}
BODIES: dict[str, object] = {
    "putLifter": {"experience": "advanced", "goal": "power"},
    "createSets": {"sets": [SET]},
    "putSet": SET,
    "createLifterPrescription": PLANNED,
    "createLifterPlanPrescription": {
        "sessions": [
            {
                "starts_at": "2024-03-06T18:00:00Z",
                "exercises": [{"exercise": "barbell_bench_press", "sets": [{"rep_target": 8}]}],
            }
        ]
    },
}
# With an id that is new to the tenant these make a lifter, or prescribe to somebody unknown.
OF_ONES_OWN = {
    "putLifter": 201,
    "createSets": 201,
    "createLifterPrescription": 200,
    "createLifterPlanPrescription": 200,
}
PRESCRIBING = ("createLifterPrescription", "createLifterPlanPrescription")


def handler_scopes() -> Mapping[str, tuple[str, ...]]:
    """Return the scopes of every handler, by operation id."""
    app = litestar_app(settings_for("sqlite:///unused.db"), load_policies())
    handlers = {h for route in app.routes if isinstance(route, HTTPRoute) for h in route.route_handlers}
    return {str(handler.operation_id): tuple(handler.opt.get("scopes", ())) for handler in handlers}


SCOPES = handler_scopes()


async def call(client: httpx.AsyncClient, operation_id: str, **headers: str) -> httpx.Response:
    """Call the operation on the lifter and set of these tests, with a valid body."""
    method, place, operation = OPERATIONS[operation_id]
    address = place.replace("{lifter_id}", LIFTER).replace("{set_id}", id_of(1))
    assert "{" not in address, "a new part of an address needs a value here"
    body = {"json": BODIES[operation_id]} if "requestBody" in operation else {}
    return await client.request(method, address, headers=headers, **body)


async def settle(client: httpx.AsyncClient) -> None:
    """Give the lifter a profile and a few sets."""
    await client.put(path(), json={"experience": "novice", "cautions": ["pregnancy"]})
    sets = [set_body(number, set_endpoint="momentary_failure", note="secret") for number in (1, 2, 3)]
    await log(client, *sets)


def test_every_route_of_a_lifter_is_tried() -> None:
    """A route that takes a body has one here, and the other way round."""
    with_body = {name for name, (_, _, operation) in OPERATIONS.items() if "requestBody" in operation}
    assert with_body == set(BODIES)
    assert set(OF_ONES_OWN) <= with_body
    assert len(OPERATIONS) > len(BODIES)


async def test_what_names_a_lifter_is_404_for_another_tenant(database_url: str) -> None:
    """Reads, deletes and corrections find nobody, by the right ids; only what makes a lifter answers."""
    async with gym(database_url, tenant=GYM) as owner, gym(database_url, tenant=RIVAL) as rival:
        await settle(owner)
        before = await export(owner)
        for name in OPERATIONS:
            if name not in OF_ONES_OWN:
                assert_problem(await call(rival, name), 404)
        assert await export(owner) == before
        for name, (method, _, _) in OPERATIONS.items():
            if method == "get":
                assert (await call(owner, name)).status_code == 200


@pytest.mark.parametrize("name", OF_ONES_OWN)
async def test_what_makes_a_lifter_makes_ones_own(database_url: str, name: str) -> None:
    """The other tenant's lifter of that id is neither changed nor seen."""
    async with gym(database_url, tenant=GYM) as owner, gym(database_url, tenant=RIVAL) as rival:
        await settle(owner)
        before = await export(owner)
        answer = await call(rival, name)
        assert answer.status_code == OF_ONES_OWN[name]
        assert b"secret" not in answer.content
        assert await export(owner) == before
        if name in PRESCRIBING:
            assert_problem(await rival.get(path()), 404)
        else:
            own = await export(rival)
            assert own != before
            assert b"secret" not in own
            assert (await rival.delete(path())).status_code == 204
        assert await export(owner) == before


async def test_a_prescription_knows_nothing_of_another_tenants_lifter(database_url: str) -> None:
    """A cold start: nothing is used but what was sent and the policy."""
    async with gym(database_url, tenant=GYM) as owner, gym(database_url, tenant=RIVAL) as rival:
        await settle(owner)
        answer = (await call(rival, "createLifterPrescription")).json()
        used = {name: value for name, value in answer["context_used"].items() if value is not None}
        sent = {"rep_target": 8, "exercise": "barbell_bench_press"}
        assert used == {**sent, "policy": answer["policy"]["version"]}
        assert answer["reported_reps_in_reserve"] is None
        known = (await call(owner, "createLifterPrescription")).json()
        assert known["reported_reps_in_reserve"] is not None


async def test_equal_ids_of_two_tenants_live_side_by_side(database_url: str) -> None:
    """The same lifter and set ids hold what each tenant stored; erasing one leaves the other."""
    async with gym(database_url, tenant=GYM) as owner, gym(database_url, tenant=RIVAL) as rival:
        await settle(owner)
        before = await export(owner)
        await log(rival, SET, set_body(9))
        assert (await rival.get(path("sets", id_of(1)))).json()["reps"] == 6
        assert (await rival.get(path("state"))).json()["sets"] == 2
        assert len((await rival.get(path("sets"))).json()["sets"]) == 2
        for name in OPERATIONS:
            if not name.startswith("delete"):
                assert (await call(rival, name)).status_code == 200
        for name in ("deleteSet", "deleteLifter"):
            assert (await call(rival, name)).status_code == 204
        assert await export(owner) == before


async def test_no_route_of_a_lifter_answers_without_a_key(database_url: str) -> None:
    """401, as the document says of each; nothing is made."""
    key = await make_key(database_url, *ALL_HISTORY)
    async with served(database_url) as client:
        for name, (_, _, operation) in OPERATIONS.items():
            assert operation["security"] == [{"apiKey": list(SCOPES[name])}, {"jwt": list(SCOPES[name])}]
            assert_problem(await call(client, name), 401)
            assert_problem(await call(client, name, authorization=f"Bearer {key.token[:-1]}"), 401)
        mine = {"authorization": f"Bearer {key.token}"}
        assert_problem(await client.get(path(), headers=mine), 404)


async def test_each_route_of_a_lifter_needs_each_of_its_scopes(database_url: str) -> None:
    """A key with every scope but one is 403 with its name; the document names it as well."""
    everything = (*ALL_HISTORY, "admin")
    for missing in ALL_HISTORY:
        async with gym(database_url, *(scope for scope in everything if scope != missing)) as client:
            for name, (_, _, operation) in OPERATIONS.items():
                answer = await call(client, name)
                if missing in SCOPES[name]:
                    assert f"'{missing}'" in assert_problem(answer, 403)["detail"]
                    assert f"`{missing}`" in operation["description"]
                else:
                    assert answer.status_code != 403
    assert all({"history:read", "history:write"} & set(SCOPES[name]) for name in OPERATIONS)
