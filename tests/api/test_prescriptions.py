"""Prescriptions over HTTP: equal to the core's, strict in, readable out."""

import httpx
import msgspec
import pytest

from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from tests.api.problem_shape import assert_problem

CONTEXTS = [
    {"rep_target": 8},
    {
        "rep_target": 8,
        "exercise": "leg_press",
        "exercise_order": 1,
        "exercises_in_session": 5,
        "exposures": 0,
    },
    {"rep_target": 20, "load_percent_1rm": 85, "goal": "strength", "deload": True},
    {"rep_target": 5, "exercise": "barbell_bench_press", "load_percent_1rm": 85, "spotter": False},
    {"rep_target": 12, "cautions": ["warning_signs"]},
    {"rep_target": 15, "reporting_bias": {"mean_reps": 1.5, "sd_reps": 0.6}, "policy": "2026-11-25"},
    {"rep_target": 10, "exercise_traits": {"joints": "single", "muscles": {"quadriceps": 1}}},
]
POLICIES = load_policies()


@pytest.mark.parametrize("context", CONTEXTS)
@pytest.mark.parametrize("detail", ["", "?detail=full", "?detail=brief"])
async def test_the_answer_is_the_cores(
    client: httpx.AsyncClient, context: dict[str, object], detail: str
) -> None:
    """HTTP adds nothing and loses nothing."""
    response = await client.post(f"/v1/prescriptions{detail}", json=context)
    made = prescribe_brief if "brief" in detail else prescribe
    assert response.status_code == 200
    told = msgspec.convert(context, SetContext)
    assert response.content == msgspec.json.encode(made(told, POLICIES.get(told.policy)))
    assert response.headers["content-type"] == "application/json"
    assert response.headers["cache-control"] == "no-store"


async def test_three_wrong_members_list_three_pointers(client: httpx.AsyncClient) -> None:
    """All faults come at once."""
    body = {"rep_target": "8", "exercise_order": 99, "goal": "size"}
    response = await client.post("/v1/prescriptions", json=body)
    assert_problem(response, 422, "#/rep_target", "#/exercise_order", "#/goal")


async def test_body_and_query_faults_come_together(client: httpx.AsyncClient) -> None:
    """One answer names bad members and bad parameters."""
    response = await client.post(
        "/v1/prescriptions?detail=long&api_key=x&detail=full", json={"rep_target": 0}
    )
    assert_problem(response, 422, "#/rep_target", "detail", "api_key", "detail")


async def test_every_kind_of_fault_comes_at_once(client: httpx.AsyncClient) -> None:
    """Types, catalogues, rules over two members and the query, in one answer; a batch item tells the same."""
    body = {
        "rep_target": 0,
        "exercise": "leg_pres",
        "exercise_order": 5,
        "exercises_in_session": 4,
        "cautions": ["pregnancy", "pregnancy"],
        "policy": "2001-01-01",
    }
    places = ["#/rep_target", "#/exercise", "#/exercise_order", "#/cautions/1", "#/policy"]
    both = await client.post("/v1/prescriptions?detail=long", json=body)
    assert_problem(both, 422, *places, "detail")
    sound = {**body, "rep_target": 8}
    assert_problem(await client.post("/v1/prescriptions?x=1", json=sound), 422, *places[1:], "x")
    batch = await client.post("/v1/prescriptions/batch", json={"contexts": [body, sound]})
    for sent, result in zip((body, sound), batch.json()["results"], strict=True):
        single = await client.post("/v1/prescriptions", json=sent)
        assert result["problem"]["errors"] == single.json()["errors"]


@pytest.mark.parametrize(
    ("body", "places"),
    [
        ({}, ["#/rep_target"]),
        ({"rep_target": 51}, ["#/rep_target"]),
        ({"rep_target": 8.5}, ["#/rep_target"]),
        ({"rep_target": True}, ["#/rep_target"]),
        ({"rep_target": 8, "a/b~c": 1}, ["#/a~1b~0c"]),
        ({"rep_target": 8, "load_percent_1rm": 0}, ["#/load_percent_1rm"]),
        ({"rep_target": 8, "load_percent_1rm": "75"}, ["#/load_percent_1rm"]),
        ({"rep_target": 8, "exercise": "Leg press\n"}, ["#/exercise"]),
        ({"rep_target": 8, "exercise": "leg_press\n"}, ["#/exercise"]),
        ({"rep_target": 8, "cautions": ["pregnancy", "old"]}, ["#/cautions/1"]),
        ({"rep_target": 8, "cautions": ["pregnancy", "pregnancy"]}, ["#/cautions/1"]),
        (
            {"rep_target": 8, "cautions": ["old", "pregnancy", None, "pregnancy", "old", None]},
            [f"#/cautions/{place}" for place in (0, 2, 3, 4, 5)],
        ),
        ({"rep_target": 8, "cautions": "pregnancy"}, ["#/cautions"]),
        ({"rep_target": 8, "deload": "yes", "spotter": 1}, ["#/deload", "#/spotter"]),
        ({"rep_target": 8, "exercise_traits": {}}, ["#/exercise_traits/joints"]),
        ({"rep_target": 8, "exercise_traits": {"joints": "multi", "x": 1}}, ["#/exercise_traits/x"]),
        (
            {"rep_target": 8, "exercise_traits": {"joints": "both", "muscles": {"quadriceps": 2, "B ad": 1}}},
            [
                "#/exercise_traits/joints",
                "#/exercise_traits/muscles/quadriceps",
                "#/exercise_traits/muscles/B ad",
            ],
        ),
        (
            {
                "rep_target": 8,
                "exercise": "leg_press",
                "exercise_traits": {
                    "joints": "x",
                    "muscles": {"quadriceps": 2, "quads": 1, "calf_muscles": 1},
                },
            },
            [
                "#/exercise",
                "#/exercise_traits/joints",
                "#/exercise_traits/muscles/quadriceps",
                "#/exercise_traits/muscles/quads",
            ],
        ),
        ({"rep_target": 8, "exercise": {"id": "leg_press"}}, ["#/exercise"]),
        (
            {"rep_target": 8, "exercise": "leg_press", "exercise_traits": {"joints": "multi"}},
            ["#/exercise"],
        ),
        ({"rep_target": 8, "exercise_order": 4, "exercises_in_session": 3}, ["#/exercise_order"]),
        ({"rep_target": 8, "policy": "2001-01-01"}, ["#/policy"]),
        (
            {"rep_target": 8, "reporting_bias": {"mean_reps": 9}},
            ["#/reporting_bias/mean_reps", "#/reporting_bias/sd_reps"],
        ),
        ([], ["#"]),
        ("text", ["#"]),
    ],
)
async def test_invalid_bodies_name_each_bad_place(
    client: httpx.AsyncClient, body: object, places: list[str]
) -> None:
    """422 with JSON Pointers; a missing member points at itself."""
    assert_problem(await client.post("/v1/prescriptions", json=body), 422, *places)


async def test_a_fault_is_told_in_words_of_the_contract(client: httpx.AsyncClient) -> None:
    """A text that is too long says so, an unknown parameter is told once, a reader's own notation not at all."""
    long = await client.post("/v1/prescriptions", json={"rep_target": 8, "exercise": "x" * 65})
    (entry,) = assert_problem(long, 422, "#/exercise")["errors"]
    assert entry["detail"] == "must have at most 64 characters, not 65"
    twice = await client.post("/v1/prescriptions?rest=1&rest=2", json={"rep_target": 8})
    assert_problem(twice, 422, "rest")
    sent = {"content": b'{"rep_target": 1e400}', "headers": {"content-type": "application/json"}}
    told = assert_problem(await client.post("/v1/prescriptions", **sent), 400)["detail"]
    assert told == "the body is not JSON that can be read: Number out of range"
    packed = {"content": b"\xc1", "headers": {"content-type": "application/vnd.msgpack"}}
    told = assert_problem(await client.post("/v1/prescriptions", **packed), 400)["detail"]
    assert told.startswith("the body is not MessagePack that can be read: invalid opcode")


async def test_an_unknown_exercise_names_near_matches(client: httpx.AsyncClient) -> None:
    """A typing error is mended from the answer alone."""
    response = await client.post("/v1/prescriptions", json={"rep_target": 8, "exercise": "leg_pres"})
    assert "leg_press" in assert_problem(response, 422, "#/exercise")["errors"][0]["detail"]


async def test_whole_floats_are_integers_and_null_is_left_out(client: httpx.AsyncClient) -> None:
    """JSON Schema's idea of an integer; null says nothing."""
    plain = await client.post("/v1/prescriptions", json={"rep_target": 8})
    other = await client.post(
        "/v1/prescriptions", content=b'{"rep_target": 8.0, "goal": null}', headers=JSON_HEADER
    )
    assert other.status_code == 200
    assert other.content == plain.content


async def test_of_repeated_members_the_last_counts(client: httpx.AsyncClient) -> None:
    """As the document says."""
    body = b'{"rep_target": 3, "rep_target": 8}'
    response = await client.post("/v1/prescriptions", content=body, headers=JSON_HEADER)
    assert response.content == (await client.post("/v1/prescriptions", json={"rep_target": 8})).content


async def test_messagepack_says_the_same_as_json(client: httpx.AsyncClient) -> None:
    """Either format in, either out."""
    context = {"rep_target": 8, "load_percent_1rm": 75.0}
    plain = await client.post("/v1/prescriptions", json=context)
    for name in ("application/vnd.msgpack", "application/msgpack", "application/x-msgpack"):
        packed = await client.post(
            "/v1/prescriptions",
            content=msgspec.msgpack.encode(context),
            headers={"content-type": name, "accept": "application/vnd.msgpack"},
        )
        assert packed.headers["content-type"] == "application/vnd.msgpack"
        assert msgspec.msgpack.decode(packed.content) == plain.json()
    for accepted in ("application/vnd.msgpack;q=0.5, application/json", "application/vnd.msgpack;q=0.1, */*"):
        answer = await client.post("/v1/prescriptions", json=context, headers={"accept": accepted})
        assert answer.json() == plain.json()


JSON_HEADER = {"content-type": "application/json"}
