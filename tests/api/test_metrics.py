"""GET /metrics: what was answered is counted, once, under names that say nothing of anybody."""

import asyncio
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.api.edge import ASGI
from service.app import create_app
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import BASE, lifespan_of, make_key, served, settings_for

COUNT = "http_server_request_duration_seconds_count"
SET = {"performed_at": "2026-11-02T18:00:00Z", "exercise": "leg_press", "load_kg": 100, "reps": 8}
BODY = {"rep_target": 8}
PLAN = {
    "sessions": [
        {"starts_at": SET["performed_at"], "exercises": [{"exercise": "leg_press", "sets": [BODY, BODY]}]}
    ]
}
SCOPES = ("prescribe", "history:read", "history:write")


async def read(client: httpx.AsyncClient) -> dict[tuple[str, ...], float]:
    """Return every series with its value: the name, then the values of its labels in the order of their names."""
    answer = await client.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    return {
        (sample.name, *(value for _, value in sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def requests_in(series: dict[tuple[str, ...], float]) -> dict[tuple[str, ...], float]:
    """Return the counts of requests by method, status and route, without those for metrics."""
    return {
        (method, status, route): value
        for (name, *labels), value in series.items()
        if name == COUNT
        for method, status, route in [labels]
    }


@pytest.mark.parametrize("shortcut", [True, False], ids=["shortcut", "documented way"])
async def test_prescriptions_are_counted_once_whichever_way_they_go(shortcut: bool) -> None:
    """By decision and detail; each context of a batch, each set of a plan; a lifter's; none that was refused."""
    with fresh_database("sqlite") as url:
        key = await make_key(url, *SCOPES)
        async with served(url, token=key.token, shortcut=shortcut) as client:
            for _ in range(3):
                await client.post("/v1/prescriptions?detail=brief", json=BODY)
            await client.post("/v1/prescriptions", json=BODY | {"cautions": ["warning_signs"]})
            await client.post("/v1/prescriptions", json={"rep_target": 0})
            await client.post("/v1/prescriptions/batch", json={"contexts": [BODY, BODY, {}]})
            await client.post("/v1/lifters/lark-4/prescriptions", json=BODY | {"exercise": "leg_press"})
            await client.post("/v1/plan-prescriptions?detail=brief", json=PLAN)
            found = await read(client)
    given = {key[1:]: value for key, value in found.items() if key[0] == "effort_prescriptions_total"}
    assert given == {("prescribe", "brief"): 5, ("withhold", "full"): 1, ("prescribe", "full"): 3}
    assert requests_in(found) == {
        ("POST", "200", "/v1/prescriptions"): 4,
        ("POST", "422", "/v1/prescriptions"): 1,
        ("POST", "200", "/v1/prescriptions/batch"): 1,
        ("POST", "200", "/v1/lifters/{lifter_id}/prescriptions"): 1,
        ("POST", "200", "/v1/plan-prescriptions"): 1,
    }
    assert found["effort_problems_total", "invalid-input"] == 1
    assert found["http_server_active_requests",] == 1


@pytest.mark.parametrize(
    ("method", "path", "counted"),
    [
        ("GET", "/v1/muscles", ("GET", "200", "/v1/muscles")),
        ("GET", "//v1/muscles/", ("GET", "200", "/v1/muscles")),
        ("HEAD", "/v1/evidence/LAS22", ("HEAD", "200", "/v1/evidence/{key}")),
        ("HEAD", "/v1/evidence/none", ("HEAD", "404", "/v1/evidence/{key}")),
        ("OPTIONS", "/v1/evidence/LAS22", ("OPTIONS", "204", "/v1/evidence/{key}")),
        ("DELETE", "/v1/evidence/LAS22", ("DELETE", "405", "/v1/evidence/{key}")),
        ("GET", "/v1/lifters/lark-4/state", ("GET", "401", "/v1/lifters/{lifter_id}/state")),
        ("BREW", "/v1/muscles", ("_OTHER", "405", "/v1/muscles")),
        ("GET", "/v1/lifters/lark-4/nothing", ("GET", "404", "unmatched")),
        ("OPTIONS", "/nothing", ("OPTIONS", "404", "unmatched")),
    ],
)
async def test_a_request_is_counted_under_the_template_of_its_route(
    method: str, path: str, counted: tuple[str, str, str]
) -> None:
    """Also where no handler was reached."""
    with fresh_database("sqlite") as url:
        async with served(url) as client:
            await client.request(method, f"http://service.test{path}")
            assert requests_in(await read(client)) == {counted: 1}


SHAPES = (
    ("GET", "/v1/lifters/{id}/state", "{id}=1", b""),
    ("PUT", "/v1/lifters/{id}", "", b'{"experience": "{id}"}'),
    ("GET", "/v1/lifters/{id}/sets", "exercise={id}", b""),
    ("GET", "/{id}/{id}", "", b""),
    ("LARK-{id}", "/v1/muscles", "", b""),
)


async def call(app: ASGI, token: str, number: int) -> None:
    """Send one request of a shape; without a client library, which would take most of the time."""
    name = f"lark-{number}"
    method, path, query, body = SHAPES[number % len(SHAPES)]
    headers = {
        "authorization": f"Bearer {token}",
        "content-type": "application/json",
        "content-length": str(len(body)),
        "x-request-id": name,
    }
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method.replace("{id}", str(number)),
        "path": path.replace("{id}", name),
        "query_string": query.replace("{id}", name).encode(),
        "headers": [(key.encode(), value.encode()) for key, value in headers.items()],
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(_: dict[str, Any]) -> None:
        return

    await app(scope, receive, send)


async def test_ten_thousand_lifters_make_no_new_series() -> None:
    """Nor do addresses nobody serves, queries, request ids and methods; none of it is in the text."""
    with fresh_database("sqlite") as url:
        key = await make_key(url, *SCOPES)
        app = create_app(settings_for(url, EFFORT_RATE_LIMIT_PER_MINUTE="0"))
        transport = httpx.ASGITransport(app=app)  # type: ignore[arg-type]  # ASGI by shape
        async with lifespan_of(app), httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            for number in range(len(SHAPES)):
                await call(app, key.token, number)
            await read(client)
            before = await read(client)  # with the series of the scrape itself
            for number in range(len(SHAPES), len(SHAPES) + 10_000):
                await call(app, key.token, number)
            after = await read(client)
            text = (await client.get("/metrics")).text
    assert set(after) == set(before)
    assert "lark" not in text.lower()
    statuses = {labels: value for labels, value in requests_in(after).items() if labels[2] != "/metrics"}
    assert statuses == {
        ("GET", "422", "/v1/lifters/{lifter_id}/state"): 2001,
        ("PUT", "422", "/v1/lifters/{lifter_id}"): 2001,
        ("GET", "422", "/v1/lifters/{lifter_id}/sets"): 2001,
        ("GET", "404", "unmatched"): 2001,
        ("_OTHER", "405", "/v1/muscles"): 2001,
    }


async def test_metrics_can_be_switched_off(client: httpx.AsyncClient) -> None:
    """Then the address is as if it were not there; it is there otherwise, without a key."""
    assert (await client.get("/metrics", headers={"authorization": ""})).status_code == 200
    with fresh_database("sqlite") as url:
        async with served(url, EFFORT_METRICS="off") as other:
            assert_problem(await other.get("/metrics"), 404)


async def test_what_was_turned_away_is_counted_by_its_problem() -> None:
    """A quota used up, and no place left."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with served(url, token=key.token, EFFORT_RATE_LIMIT_PER_MINUTE="2") as client:
            statuses = [(await client.post("/v1/prescriptions", json=BODY)).status_code for _ in range(5)]
            found = await read(client)
        assert statuses == [200, 200, 429, 429, 429]
        assert found["effort_problems_total", "too-many-requests"] == 3
        assert found[COUNT, "POST", "429", "/v1/prescriptions"] == 3
        async with served(url, token=key.token, EFFORT_MAX_IN_FLIGHT="1") as client:
            batch = {"contexts": [BODY | {"rep_target": 1 + place % 50} for place in range(1000)]}
            answers = await asyncio.gather(
                *(client.post("/v1/prescriptions/batch", json=batch) for _ in range(6))
            )
            found = await read(client)
    shed = [answer.status_code for answer in answers].count(503)
    assert shed > 0
    assert found["effort_problems_total", "overloaded"] == shed
    assert found[COUNT, "POST", "503", "/v1/prescriptions/batch"] == shed


@pytest.mark.parametrize("migrated", [True, False])
async def test_the_database_and_its_connections_are_told(database_kind: Any, migrated: bool) -> None:
    """Up and not migrated is up, and not ready. Pools as the database has them."""
    with fresh_database(database_kind, migrated=migrated) as url:
        async with served(url) as client:
            found = await read(client)
    assert found["effort_database_up",] == 1
    assert found["effort_ready",] == int(migrated)
    pools = {key[1]: value for key, value in found.items() if key[0] == "db_client_connection_max"}
    assert pools == ({"readers": 4, "writers": 1} if database_kind == "sqlite" else {"all": 10})


async def test_what_runs_is_told(client: httpx.AsyncClient) -> None:
    """Version of the service and of the policy."""
    found = await read(client)
    policy = (await client.get("/v1/policies")).json()["policies"][-1]
    version = (await client.get("/health/live")).headers["effort-service-version"]
    assert found["effort_build_info", version] == 1
    assert found["effort_policy_info", policy["digest"], policy["version"]] == 1
