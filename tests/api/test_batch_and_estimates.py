"""Many sets in one call, and estimates."""

import json
from typing import Any

import httpx
import msgspec
import pytest

from service.app import create_app
from service.policy.catalogue import load_policies
from tests.api.problem_shape import assert_problem
from tests.bench.contexts import random_contexts
from tests.databases import fresh_database
from tests.serving import BASE, lifespan_of, make_key, settings_for

PACKED = {"accept": "application/vnd.msgpack"}


@pytest.mark.parametrize("detail", ["full", "brief"])
async def test_one_bad_context_among_a_thousand_spoils_nothing(
    client: httpx.AsyncClient, detail: str
) -> None:
    """Answers come in order, each with its own status, pointers from the context on."""
    contexts: list[object] = [{"rep_target": 1 + n % 50} for n in range(1000)]
    contexts[500] = {"rep_target": 0, "x": 1}
    response = await client.post(f"/v1/prescriptions/batch?detail={detail}", json={"contexts": contexts})
    assert response.status_code == 200
    results = response.json()["results"]
    assert [result["index"] for result in results] == list(range(1000))
    assert {result["status"] for n, result in enumerate(results) if n != 500} == {200}
    assert results[500]["status"] == 422
    assert {entry["pointer"] for entry in results[500]["problem"]["errors"]} == {"#/rep_target", "#/x"}
    assert "prescription" not in results[500]


@pytest.mark.parametrize("detail", ["full", "brief"])
async def test_a_packed_item_is_the_single_answer_byte_for_byte(
    client: httpx.AsyncClient, detail: str
) -> None:
    """Numbers keep their kinds and members their order, whichever way the answer was put together."""
    contexts = list(map(msgspec.to_builtins, random_contexts(load_policies().newest, 40, seed=11)))
    batch = await client.post(
        f"/v1/prescriptions/batch?detail={detail}", json={"contexts": contexts}, headers=PACKED
    )
    items = msgspec.msgpack.decode(batch.content, type=dict[str, list[dict[str, msgspec.Raw]]])["results"]
    assert len(items) == len(contexts)
    for context, item in zip(contexts, items, strict=True):
        alone = await client.post(f"/v1/prescriptions?detail={detail}", json=context, headers=PACKED)
        assert bytes(item["prescription"]) == alone.content


@pytest.mark.parametrize("detail", ["full", "brief"])
async def test_an_item_equals_the_single_call(client: httpx.AsyncClient, detail: str) -> None:
    """Good or bad, each context is answered as if it came alone."""
    contexts: list[object] = [
        {"rep_target": 8.0, "exercise": "leg_press", "load_percent_1rm": 70},
        {"rep_target": 3, "cautions": ["warning_signs"]},
        {"rep_target": 8, "policy": "1999-01-01"},
        {"rep_target": 8, "exercise": "nothing_like_it"},
        "text",
        None,
    ]
    batch = await client.post(f"/v1/prescriptions/batch?detail={detail}", json={"contexts": contexts})
    for context, result in zip(contexts, batch.json()["results"], strict=True):
        content = httpx.Request("POST", "http://x", json=context).content if context is not None else b"null"
        single = await client.post(
            f"/v1/prescriptions?detail={detail}",
            content=content,
            headers={"content-type": "application/json"},
        )
        assert result["status"] == single.status_code
        if single.status_code == 200:
            assert result["prescription"] == single.json()
        else:
            assert result["problem"]["errors"] == single.json()["errors"]
            assert result["problem"]["type"] == single.json()["type"]


@pytest.mark.parametrize(
    ("body", "places"),
    [
        ({"contexts": []}, ["#/contexts"]),
        ({"contexts": [{"rep_target": 8}] * 1001}, ["#/contexts"]),
        ({}, ["#/contexts"]),
        ({"contexts": {"rep_target": 8}}, ["#/contexts"]),
        ({"contexts": [{"rep_target": 8}], "detail": "full"}, ["#/detail"]),
    ],
)
async def test_a_batch_that_is_none_is_refused_whole(
    client: httpx.AsyncClient, body: object, places: list[str]
) -> None:
    """From 1 to 1000 contexts."""
    assert_problem(await client.post("/v1/prescriptions/batch", json=body), 422, *places)


async def test_one_rep_max_has_an_interval_around_it(client: httpx.AsyncClient) -> None:
    """Mean, SD and a 90 % interval in kg, and what they rest on."""
    body = {"load_kg": 100, "reps": 5, "reps_in_reserve": 2, "exercise": "barbell_bench_press"}
    answer = (await client.post("/v1/estimates/one-rep-max", json=body)).json()
    estimate = answer["one_rep_max_kg"]
    assert estimate["low"] < estimate["mean"] < estimate["high"]
    assert estimate["mean"] == pytest.approx(120, abs=5)
    assert estimate["high"] - estimate["mean"] == pytest.approx(1.645 * estimate["sd"], abs=0.01)
    assert "7 repetitions" in answer["basis"]


async def test_an_estimate_from_a_very_long_set_says_that_it_extrapolates(client: httpx.AsyncClient) -> None:
    """The curve rests on loads of 60 % and more (Nuzzo 2024, main table, from memory)."""
    long, short = [
        (await client.post("/v1/estimates/one-rep-max", json={"load_kg": 40, "reps": reps})).json()["basis"]
        for reps in (35, 8)
    ]
    assert "extrapolates" in long
    assert "extrapolates" not in short


async def test_load_is_on_the_equipments_steps(client: httpx.AsyncClient) -> None:
    """Nearest step; the caller's step wins over the usual one."""
    body = {"one_rep_max_kg": 120, "rep_target": 8, "reps_in_reserve": 2, "exercise": "barbell_bench_press"}
    usual = (await client.post("/v1/estimates/load", json=body)).json()
    fine = (await client.post("/v1/estimates/load", json={**body, "step_kg": 0.5})).json()
    assert usual["load_kg"] % 2.5 == 0
    assert fine["load_kg"] % 0.5 == 0
    assert usual["load_percent_1rm"] == pytest.approx(usual["load_kg"] / 1.2, abs=0.001)


async def test_repetitions_at_a_load(client: httpx.AsyncClient) -> None:
    """Mean and spread; the leg press allows more than the bench press (Nuzzo 2024)."""
    found = {}
    for exercise in ("leg_press", "barbell_bench_press"):
        body = {"load_percent_1rm": 80, "exercise": exercise}
        found[exercise] = (await client.post("/v1/estimates/repetitions", json=body)).json()[
            "reps_to_failure"
        ]
    assert found["leg_press"]["mean"] > found["barbell_bench_press"]["mean"]
    assert all(entry["sd"] > 0 for entry in found.values())


@pytest.mark.parametrize(
    ("path", "body", "places"),
    [
        ("one-rep-max", {"load_kg": 0, "reps": 0}, ["#/load_kg", "#/reps"]),
        ("one-rep-max", {"load_kg": 100, "reps": 5, "exercise": "no_such"}, ["#/exercise"]),
        ("load", {"rep_target": 8, "step_kg": 0}, ["#/one_rep_max_kg", "#/step_kg"]),
        ("repetitions", {"load_percent_1rm": 101}, ["#/load_percent_1rm"]),
        ("repetitions", {"exercise": "leg_pres"}, ["#/load_percent_1rm", "#/exercise"]),
    ],
)
async def test_bad_questions_name_their_faults(
    client: httpx.AsyncClient, path: str, body: object, places: list[str]
) -> None:
    """As everywhere."""
    assert_problem(await client.post(f"/v1/estimates/{path}", json=body), 422, *places)


@pytest.mark.parametrize("load", [1e-300, 5e-324, 0.01, 2000])
async def test_extreme_loads_give_finite_numbers(client: httpx.AsyncClient, load: float) -> None:
    """Nothing overflows, nothing becomes null."""
    for path, body in (
        ("one-rep-max", {"load_kg": load, "reps": 50, "reps_in_reserve": 10}),
        ("load", {"one_rep_max_kg": load, "rep_target": 50, "reps_in_reserve": 10, "step_kg": 0.01}),
        ("repetitions", {"load_percent_1rm": min(load, 100)}),
    ):
        response = await client.post(f"/v1/estimates/{path}", json=body)
        assert response.status_code == 200
        assert "null" not in response.text


LINES = {"accept": "application/x-ndjson"}


@pytest.mark.parametrize("detail", ["full", "brief"])
async def test_a_batch_is_answered_in_lines_when_asked_for(client: httpx.AsyncClient, detail: str) -> None:
    """A line an item, in order, the same as in one JSON value; errors are lines as well."""
    contexts: list[object] = [{"rep_target": 1 + n % 50} for n in range(130)]
    contexts[3], contexts[60], contexts[129] = {"rep_target": 0, "x": "a\nb\u2028"}, "text", None
    where, body = f"/v1/prescriptions/batch?detail={detail}", {"contexts": contexts}
    named = {"x-request-id": "night-1"}
    whole = await client.post(where, json=body, headers=named)
    lines = await client.post(where, json=body, headers=named | LINES)
    assert lines.status_code == 200
    assert lines.headers["content-type"] == "application/x-ndjson"
    assert lines.headers["vary"] == "Accept, Accept-Language"
    assert lines.headers["cache-control"] == "no-store"
    assert [each["index"] for each in whole.json()["results"]] == list(range(130))
    assert lines.content.endswith(b"\n")
    assert [json.loads(line) for line in lines.content[:-1].split(b"\n")] == whole.json()["results"]


async def test_lines_come_as_they_are_ready() -> None:
    """The first are sent before the last context was looked at, so that nobody holds a batch twice."""
    sent: list[int] = []
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        app = create_app(settings_for(url))

        async def record(scope: Any, receive: Any, send: Any) -> None:
            async def noted(message: dict[str, Any]) -> None:
                sent.append(message.get("body", b"").count(b"\n"))
                await send(message)

            await app(scope, receive, noted)

        transport = httpx.ASGITransport(app=record)
        headers = {"authorization": f"Bearer {key.token}"} | LINES
        async with lifespan_of(app), httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            body = {"contexts": [{"rep_target": 8}] * 1000}
            await client.post("/v1/prescriptions/batch?detail=brief", json=body, headers=headers)
    assert sum(sent) == 1000
    assert max(sent) <= 100


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        ("application/x-ndjson, application/json;q=0.9", "application/x-ndjson"),
        ("application/json, application/x-ndjson;q=0.5", "application/json"),
        ("application/x-ndjson;q=0", "application/json"),
        ("text/csv", "application/json"),
        ("*/*", "application/json"),
        ("application/vnd.msgpack, application/x-ndjson;q=0.1", "application/vnd.msgpack"),
    ],
)
async def test_lines_are_for_who_prefers_them(
    client: httpx.AsyncClient, accept: str, media_type: str
) -> None:
    """By the quality values of RFC 9110; nothing is refused for its Accept."""
    found = await client.post(
        "/v1/prescriptions/batch", json={"contexts": [{"rep_target": 8}]}, headers={"accept": accept}
    )
    assert (found.status_code, found.headers["content-type"]) == (200, media_type)


async def test_a_batch_that_cannot_be_read_is_a_problem_in_lines_too(client: httpx.AsyncClient) -> None:
    """What is wrong with the whole request is told as always."""
    refused = await client.post("/v1/prescriptions/batch", json={"contexts": []}, headers=LINES)
    assert_problem(refused, 422, "#/contexts")
