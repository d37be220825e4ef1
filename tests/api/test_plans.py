"""Plans over HTTP: both routes answer, every fault is told, and no plan holds up other requests."""

import asyncio
import json
from typing import Any

import httpx
import msgspec
import pytest

from tests.api.gym import MESSAGEPACK, day, path
from tests.api.problem_shape import assert_problem

PLANS = "/v1/plan-prescriptions"
OWN = path("plan-prescriptions")
BENCH = "barbell_bench_press"
Plan = dict[str, Any]


def session(starts_at: str, *exercises: str, sets: int = 1, **told: Any) -> Plan:
    """Return a session of these exercises, each with so many sets of 10 repetitions, or as told."""
    one = {"rep_target": 10, **told}
    return {
        "starts_at": starts_at,
        "exercises": [{"exercise": name, "sets": [one] * sets} for name in exercises],
    }


def block(sessions: int, exercises: int, sets: int, exercise: str = "leg_press", **told: Any) -> Plan:
    """Return a plan of so many sessions, two days apart, of one exercise time and again."""
    return {
        "sessions": [
            session(day(2 * at), *[exercise] * exercises, sets=sets, **told) for at in range(sessions)
        ]
    }


PLAN = {
    "lifter": {"exposures": {BENCH: 2}, "safety_arms": True},
    "sessions": [
        session(day(30), BENCH, "cable_triceps_pushdown", sets=2, load_percent_1rm=75),
        session(day(32), "leg_press"),
    ],
}


async def sent(client: httpx.AsyncClient, body: object, to: str = PLANS, **query: str) -> Plan:
    """Return the answer to a plan, which is 200."""
    response = await client.post(to, json=body, params=query)
    assert response.status_code == 200, response.text
    found: Plan = response.json()
    return found


async def refused(
    client: httpx.AsyncClient, body: object, *places: str, to: str = PLANS
) -> list[dict[str, str]]:
    """Return the faults of a plan that is not valid, after checking that they are at these places."""
    errors: list[dict[str, str]] = assert_problem(await client.post(to, json=body), 422, *places)["errors"]
    return errors


def sets_in(answer: Plan) -> list[Plan]:
    """Return every set of an answer in order."""
    return [one for each in answer["sessions"] for work in each["exercises"] for one in work["sets"]]


@pytest.mark.parametrize("to", [PLANS, OWN])
async def test_every_context_used_is_answered_the_same_by_the_single_route(
    client: httpx.AsyncClient, to: str
) -> None:
    """Full is the default; what is sent back as it came gives the very bytes of the prescription."""
    for detail in ("full", "brief"):
        response = await client.post(to, json=PLAN, params={"detail": detail})
        assert response.status_code == 200
        raw = msgspec.json.decode(response.content, type=dict[str, msgspec.Raw])
        sessions = msgspec.json.decode(raw["sessions"], type=list[dict[str, list[dict[str, msgspec.Raw]]]])
        for each in (each for one in sessions for each in one["exercises"]):
            for one in msgspec.json.decode(each["sets"], type=list[dict[str, msgspec.Raw]]):
                single = await client.post(
                    "/v1/prescriptions",
                    content=bytes(one["context_used"]),
                    headers={"content-type": "application/json"},
                    params={"detail": detail},
                )
                assert single.content == bytes(one["prescription"])
    assert (await client.post(to, json=PLAN)).content == (
        await client.post(to, json=PLAN, params={"detail": "full"})
    ).content


async def test_brief_and_full_say_the_same(client: httpx.AsyncClient) -> None:
    """All but the prescriptions is equal; these hold fewer members."""
    full, brief = await sent(client, PLAN), await sent(client, PLAN, detail="brief")
    for one, short in zip(sets_in(full), sets_in(brief), strict=True):
        prescription, shorter = one.pop("prescription"), short.pop("prescription")
        assert shorter.items() < prescription.items()
    assert full == brief
    assert_problem(await client.post(PLANS, json=PLAN, params={"detail": "long"}), 422, "detail")


@pytest.mark.parametrize("to", [PLANS, OWN])
async def test_messagepack_says_the_same(client: httpx.AsyncClient, to: str) -> None:
    """Either format in and out."""
    packed = {"content-type": MESSAGEPACK, "accept": MESSAGEPACK}
    answer = await client.post(to, content=msgspec.msgpack.encode(PLAN), headers=packed)
    assert answer.headers["content-type"] == MESSAGEPACK
    assert msgspec.msgpack.decode(answer.content) == await sent(client, PLAN, to)
    bad = msgspec.msgpack.encode({"sessions": [{"starts_at": b"2027", "exercises": []}]})
    assert_problem(await client.post(to, content=bad, headers=packed), 400)


@pytest.mark.parametrize("to", [PLANS, OWN])
async def test_a_policy_can_be_pinned(client: httpx.AsyncClient, to: str) -> None:
    """The older one knows no shift: limits and progression are refused with it, all else is served."""
    pinned = {**PLAN, "policy": "2026-11-25"}
    answer = await sent(client, pinned, to)
    assert answer["policy"]["version"] == "2026-11-25"
    assert {one["context_used"]["policy"] for one in sets_in(answer)} == {"2026-11-25"}
    shifting = {"limits": {"failure_sets_per_session": 1}, "progression": {"weeks": 2}}
    await refused(client, pinned | shifting, "#/limits", "#/progression", to=to)
    await refused(client, {**PLAN, "policy": "1999-01-01"}, "#/policy", to=to)


async def test_five_mistakes_are_five_places(client: httpx.AsyncClient) -> None:
    """In the lifter, a set, an exercise, the times and the block; each once, with what to do."""
    plan = {
        "lifter": {"goal": "size"},
        "sessions": [
            session(day(3), BENCH, load_percent_1rm=0),
            session(day(1), "leg_pres"),
        ],
        "progression": {"weeks": 4, "deload_weeks": [4, 4]},
    }
    errors = await refused(
        client,
        plan,
        "#/lifter/goal",
        "#/sessions/0/exercises/0/sets/0/load_percent_1rm",
        "#/sessions/1/starts_at",
        "#/sessions/1/exercises/0/exercise",
        "#/progression/deload_weeks/1",
    )
    told = {error["pointer"]: error["detail"] for error in errors}
    assert "leg_press" in told["#/sessions/1/exercises/0/exercise"]
    assert "session 0" in told["#/sessions/1/starts_at"]


WRONG: dict[str, tuple[Plan, list[str]]] = {
    "no sessions": ({"sessions": []}, ["#/sessions"]),
    "sessions missing": ({}, ["#/sessions"]),
    "sessions null": ({"sessions": None}, ["#/sessions"]),
    "sessions an object": ({"sessions": {"0": {}}}, ["#/sessions"]),
    "61 sessions": (block(61, 1, 1), ["#/sessions"]),
    "session a number": ({"sessions": [7]}, ["#/sessions/0"]),
    "session empty": ({"sessions": [{}]}, ["#/sessions/0/starts_at", "#/sessions/0/exercises"]),
    "no exercises": ({"sessions": [session(day(0))]}, ["#/sessions/0/exercises"]),
    "31 exercises": (block(1, 31, 1), ["#/sessions/0/exercises"]),
    "31 sets": (block(1, 1, 31), ["#/sessions/0/exercises/0/sets"]),
    "no sets": (block(1, 1, 0), ["#/sessions/0/exercises/0/sets"]),
    "exercise a list": (
        {"sessions": [{"starts_at": day(0), "exercises": [[]]}]},
        ["#/sessions/0/exercises/0"],
    ),
    "set a text": (
        {"sessions": [{"starts_at": day(0), "exercises": [{"exercise": BENCH, "sets": ["10x8"]}]}]},
        ["#/sessions/0/exercises/0/sets/0"],
    ),
    "time without offset": (
        {"sessions": [session("2027-01-04T18:00:00", BENCH)]},
        ["#/sessions/0/starts_at"],
    ),
    "time a number": ({"sessions": [{**session("", BENCH), "starts_at": 1}]}, ["#/sessions/0/starts_at"]),
    "unknown member": (block(1, 1, 1, tempo="3010"), ["#/sessions/0/exercises/0/sets/0/tempo"]),
    "reserve": (block(1, 1, 1, reps_in_reserve=10.5), ["#/sessions/0/exercises/0/sets/0/reps_in_reserve"]),
    "rest": (block(1, 1, 1, rest_seconds=-1), ["#/sessions/0/exercises/0/sets/0/rest_seconds"]),
    "lifter a list": ({**PLAN, "lifter": []}, ["#/lifter"]),
    "exposures": (
        {**PLAN, "lifter": {"exposures": {BENCH: -1, "nothing_like_it": 2, "leg_press": True}}},
        [f"#/lifter/exposures/{name}" for name in (BENCH, "nothing_like_it", "leg_press")],
    ),
    "unknown exposure": (
        {**PLAN, "lifter": {"exposures": {"nothing_like_it": 2}}},
        ["#/lifter/exposures/nothing_like_it"],
    ),
    "caution twice": ({**PLAN, "lifter": {"cautions": ["pregnancy", "pregnancy"]}}, ["#/lifter/cautions/1"]),
    "limits": (
        {**PLAN, "limits": {"failure_share_per_muscle_7d": 1.1, "failure_sets_per_session": 1.5}},
        ["#/limits/failure_share_per_muscle_7d", "#/limits/failure_sets_per_session"],
    ),
    "progression": (
        {**PLAN, "progression": {"start_shift_reps": 4, "deload_weeks": [0, 4, 4]}},
        ["#/progression/weeks", "#/progression/start_shift_reps"]
        + [f"#/progression/deload_weeks/{place}" for place in (0, 2)],
    ),
}


async def test_a_wrong_type_or_value_is_told_at_its_level(client: httpx.AsyncClient) -> None:
    """The pointer goes to what is wrong and no further; the same on both routes."""
    for name, (body, places) in WRONG.items():
        for to in (PLANS, OWN):
            response = await client.post(to, json=body)
            assert response.status_code == 422, (name, response.text)
            found = [error["pointer"] for error in assert_problem(response, 422)["errors"]]
            assert sorted(found) == sorted(places), name


async def test_sessions_out_of_order_or_at_the_same_time_are_told_each(client: httpx.AsyncClient) -> None:
    """Later than the latest one so far, to the second and whatever the offset."""
    starts = ("2027-01-04T18:00:00+01:00", "2027-01-04T17:00:00Z", "2027-01-04T18:30:00+02:00")
    last = ("2027-01-05T18:00:00.1Z", "2027-01-05T18:00:00.9Z")
    plan = {"sessions": [session(start, BENCH) for start in (*starts, *last)]}
    await refused(client, plan, *(f"#/sessions/{at}/starts_at" for at in (1, 2, 4)))


async def test_more_sets_than_a_call_may_hold_are_refused_and_no_fewer(client: httpx.AsyncClient) -> None:
    """3,001 in all; each session and exercise is within its own bounds."""
    plan = block(50, 2, 30)
    assert len(sets_in(await sent(client, plan, detail="brief"))) == 3000
    plan["sessions"][0]["exercises"].append({"exercise": BENCH, "sets": [{"rep_target": 5}]})
    (error,) = await refused(client, plan, "#/sessions")
    assert "3001" in error["detail"]
    (error,) = await refused(client, block(60, 30, 30), "#/sessions")
    assert "54000" in error["detail"]


async def test_an_unknown_exercise_in_every_place_is_told_a_hundred_times(client: httpx.AsyncClient) -> None:
    """1,800 places: the list of faults ends, and so does the work on it."""
    response = await client.post(PLANS, json=block(60, 30, 1, exercise="leg_pres"))
    errors = assert_problem(response, 422)["errors"]
    assert [error["pointer"] for error in errors[::30]] == [
        f"#/sessions/{at // 30}/exercises/{at % 30}/exercise" for at in range(0, 100, 30)
    ]
    assert len(errors) == 100
    assert len(response.content) < 60_000


UNREADABLE = (
    b"",
    b"[" * 65 + b"]" * 65,
    b'{"sessions": [' + b'{"exercises": [' * 40 + b"]}" * 40 + b"]}",
    b"\xff",
    b"{",
)


@pytest.mark.parametrize("to", [PLANS, OWN])
async def test_what_cannot_be_read_is_400(client: httpx.AsyncClient, to: str) -> None:
    """Empty, too deep, no UTF-8, cut off."""
    for body in UNREADABLE:
        headers = {"content-type": "application/json"}
        assert_problem(await client.post(to, content=body, headers=headers), 400)
    assert_problem(
        await client.post(to, content=json.dumps(PLAN), headers={"content-type": "text/plain"}), 415
    )


async def test_a_plan_of_the_largest_size_lets_others_have_their_turn(client: httpx.AsyncClient) -> None:
    """Health and a single set are answered again and again while it is worked on; two such plans wait in line."""
    largest = block(60, 10, 5, load_percent_1rm=70)
    plans = [
        asyncio.create_task(client.post(PLANS, json=largest, params={"detail": "brief"})) for _ in range(2)
    ]
    order: list[str] = []
    plans[0].add_done_callback(lambda _: order.append("plan"))
    plans[1].add_done_callback(lambda _: order.append("plan"))
    while len(order) < 50 and not all(plan.done() for plan in plans):
        assert (await client.get("/health/live")).status_code == 200
        assert (await client.post("/v1/prescriptions", json={"rep_target": 8})).status_code == 200
        order.append("others")
    answers = await asyncio.gather(*plans)
    assert [answer.status_code for answer in answers] == [200, 200]
    assert answers[0].content == answers[1].content
    assert order[:5] == ["others"] * 5
