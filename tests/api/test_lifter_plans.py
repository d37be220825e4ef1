"""Plans of a lifter over HTTP: what profile and history start them with, what stands, and who may ask."""

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from tests.api.gym import GYM, LIFTER, RIVAL, day, export, gym, id_of, log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.api.test_plans import BENCH, OWN, PLANS, Plan, sent, session, sets_in
from tests.serving import make_key, served

FAILED = {"set_endpoint": "momentary_failure", "rir_call": {"at_rep": 6, "reps_left": 1}}
LIKE = "dumbbell_bench_press"


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


async def settle(client: httpx.AsyncClient) -> list[dict[str, Any]]:
    """Store and return three weeks of hard bench press and easier leg press, day 3.5 by day 3.5, and a profile."""
    sets = []
    for number in range(1, 25):
        hard = number % 2 == 0
        told = {"exercise": BENCH, "load_kg": 80, "reps": 9} if hard else {"exercise": "leg_press"}
        end = FAILED if hard else {"reported_rir": 3}
        sets.append(set_body(number, performed_at=day(number // 4 * 3.5, number % 4 / 20), **told | end))
    await log(client, *sets)
    await client.put(
        path(), json={"experience": "novice", "goal": "strength", "cautions": ["age_65_or_over"]}
    )
    return sets


def used(answer: Plan) -> list[Plan]:
    """Return the context of every set."""
    return [one["context_used"] for one in sets_in(answer)]


PLAN = {
    "sessions": [session(day(22), BENCH, LIKE, "leg_press", "seated_calf_raise"), session(day(23), BENCH)]
}


async def test_history_and_profile_start_the_plan(client: httpx.AsyncClient) -> None:
    """Exposures with credit for like lifts, hours, failure share, bias, cautions, experience, goal."""
    await settle(client)
    bench, like, press, calves, again = used(await sent(client, PLAN, OWN))
    assert [each["exposures"] for each in (bench, like, press, calves)] == [4.0, 2.0, 4.0, 0.0]
    assert bench["hours_since_muscle_trained"] == pytest.approx(24, abs=4)
    assert (bench["hours_until_muscle_trained"], again["hours_since_muscle_trained"]) == (24.0, 24.0)
    assert bench["failure_share_7d"] == 1
    assert press["failure_share_7d"] == 0
    assert calves["failure_share_7d"] is None  # nothing trained them
    assert 0 < again["failure_share_7d"] < 1
    for context in (bench, like, press, calves, again):
        assert (context["experience"], context["goal"]) == ("novice", "strength")
        assert context["cautions"] == ["age_65_or_over"]
        assert context["reporting_bias"]["sd_reps"] > 0
    assert bench["reporting_bias"]["mean_reps"] > 0.5


async def test_what_the_plan_tells_stands(client: httpx.AsyncClient) -> None:
    """Members of `lifter` before the profile and the history; cautions are added, for nobody can take them back."""
    await settle(client)
    told = {
        "experience": "advanced",
        "goal": "hypertrophy",
        "cautions": ["under_18"],
        "exposures": {BENCH: 1, LIKE: 0},
        "safety_arms": True,
    }
    bench, like, press, *_ = used(await sent(client, {**PLAN, "lifter": told}, OWN))
    assert (bench["experience"], bench["goal"], bench["safety_arms"]) == ("advanced", "hypertrophy", True)
    assert bench["cautions"] == ["under_18", "age_65_or_over"]
    assert (bench["exposures"], like["exposures"], press["exposures"]) == (1.0, 0.0, 4.0)


async def test_a_plan_of_one_set_uses_what_the_single_route_uses(client: httpx.AsyncClient) -> None:
    """The lifter's own single prescription at that instant, with the same places, is the plan's."""
    await settle(client)
    for exercise in (BENCH, LIKE, "leg_press", "seated_calf_raise"):
        for at in (day(-1), day(10), day(22), day(400)):
            plan = {"sessions": [session(at, exercise, load_percent_1rm=70)]}
            (one,) = sets_in(await sent(client, plan, OWN))
            places = ("exercise_order", "exercises_in_session", "set_order", "sets_in_exercise")
            context = {
                "rep_target": 10,
                "load_percent_1rm": 70,
                "exercise": exercise,
                "later_overlapping_sets": 0,
            }
            single = await client.post(
                path("prescriptions"), json=context | dict.fromkeys(places, 1) | {"at": at}
            )
            found = single.json()
            assert found.pop("context_used") == one["context_used"]
            assert found == one["prescription"]


async def test_only_sets_up_to_the_first_session_count(client: httpx.AsyncClient) -> None:
    """A plan may start before what is stored: what came later is not known then."""
    sets = await settle(client)
    early = {"sessions": [session(day(8), BENCH)]}
    (before,) = used(await sent(client, early, OWN))
    for number in range(len(sets) + 1):
        if number and sets[number - 1]["performed_at"] > day(8):
            await client.delete(path("sets", id_of(number)))
    (after,) = used(await sent(client, early, OWN))
    assert before == after
    assert before["exposures"] == 3.0


async def test_a_safety_stop_of_late_is_heeded_for_a_fortnight_of_the_plan(client: httpx.AsyncClient) -> None:
    """Two weeks from the set on, session by session."""
    await log(client, set_body(1, performed_at=day(0), set_endpoint="safety_stop"))
    plan = {"sessions": [session(day(at), "leg_press") for at in (1, 14, 14.01)]}
    assert [each["cautions"] for each in used(await sent(client, plan, OWN))] == [
        ["recent_injury_or_surgery"],
        ["recent_injury_or_surgery"],
        None,
    ]


async def test_a_reserve_to_be_said_is_told_in_full(client: httpx.AsyncClient) -> None:
    """The bias learned from sets to failure after a call says what the lifter should report."""
    await settle(client)
    full = sets_in(await sent(client, PLAN, OWN))
    assert all(one["prescription"]["reported_reps_in_reserve"] is not None for one in full)
    brief = sets_in(await sent(client, PLAN, OWN, detail="brief"))
    assert [one["context_used"] for one in brief] == [one["context_used"] for one in full]


async def test_an_unknown_lifter_is_a_cold_start(client: httpx.AsyncClient) -> None:
    """Byte for byte the stateless answer, and nobody is made by asking; a profile alone adds only itself."""
    told = {**PLAN, "lifter": {"experience": "advanced", "exposures": {BENCH: 3}}}
    for plan in (PLAN, told):
        for detail in ("full", "brief"):
            own = await client.post(OWN, json=plan, params={"detail": detail})
            stateless = await client.post(PLANS, json=plan, params={"detail": detail})
            assert own.status_code == 200
            assert own.content == stateless.content
    assert_problem(await client.get(path()), 404)
    await client.put(path(), json={"experience": "novice"})
    with_profile = await sent(client, PLAN, OWN)
    assert with_profile == await sent(client, {**PLAN, "lifter": {"experience": "novice"}})


async def test_asking_changes_nothing(client: httpx.AsyncClient) -> None:
    """What is stored and learned is as before, and the same plan is answered the same."""
    await settle(client)
    stored, state = await export(client), (await client.get(path("state"), params={"at": day(30)})).json()
    first = await client.post(OWN, json=PLAN)
    again = await client.post(OWN, json=PLAN)
    assert first.content == again.content
    assert await export(client) == stored
    assert (await client.get(path("state"), params={"at": day(30)})).json() == state


async def test_limits_hold_with_a_history(client: httpx.AsyncClient) -> None:
    """Three isolation lifts an advanced lifter takes to failure, of which one set a session may."""
    lifts = ("cable_chest_fly", "cable_triceps_pushdown", "dumbbell_lateral_raise")
    await log(client, set_body(1, performed_at=day(0), exercise=lifts[0], **FAILED))
    plan = {
        "lifter": {"experience": "advanced", "exposures": dict.fromkeys(lifts, 9)},
        "sessions": [session(day(12 + 3 * at), *lifts, sets=2, rep_target=15) for at in range(3)],
    }

    def at_failure(answer: Plan) -> list[int]:
        near = [one["prescription"]["reps_in_reserve"]["target"] < 0.5 for one in sets_in(answer)]
        return [sum(near[first : first + 6]) for first in (0, 6, 12)]

    free = await sent(client, plan, OWN)
    assert free["allocation"] is None
    assert at_failure(free)[0] > 1
    limited = await sent(client, {**plan, "limits": {"failure_sets_per_session": 1}}, OWN)
    assert max(at_failure(limited)) == 1
    assert len(limited["allocation"]["kept"]) == sum(at_failure(limited))
    assert limited["allocation"]["moves"]


async def test_each_scope_is_needed_and_no_more(database_url: str) -> None:
    """Stateless: `prescribe`. Of a lifter: `prescribe` and `history:read`. 401 without a key, 403 naming what lacks."""
    async with served(database_url) as nobody:
        for to in (PLANS, OWN):
            assert_problem(await nobody.post(to, json=PLAN), 401)
            wrong = {"authorization": "Bearer effort_nothing"}
            assert_problem(await nobody.post(to, json=PLAN, headers=wrong), 401)
    for scopes, statuses in {
        ("prescribe",): (200, 403),
        ("history:read",): (403, 403),
        ("history:read", "history:write", "admin"): (403, 403),
        ("prescribe", "history:read"): (200, 200),
    }.items():
        key = await make_key(database_url, *scopes)
        async with served(database_url, token=key.token) as client:
            for to, status in zip((PLANS, OWN), statuses, strict=True):
                response = await client.post(to, json=PLAN)
                assert response.status_code == status, (scopes, to)
                if status == 403:
                    assert "prescribe" in assert_problem(response, 403)["detail"] or "prescribe" in scopes


async def test_another_tenants_history_is_not_known(database_url: str) -> None:
    """The same id with the rival gym is a cold start."""
    async with gym(database_url, tenant=GYM) as owner, gym(database_url, tenant=RIVAL) as rival:
        await settle(owner)
        own, other = await owner.post(OWN, json=PLAN), await rival.post(OWN, json=PLAN)
        assert other.content == (await rival.post(PLANS, json=PLAN)).content
        assert own.content != other.content


@pytest.mark.parametrize("lifter", ["-a", "a" * 65, "a b", "a%00"])
async def test_an_id_that_is_none_is_refused(client: httpx.AsyncClient, lifter: str) -> None:
    """As on every route of a lifter."""
    response = await client.post(f"/v1/lifters/{lifter}/plan-prescriptions", json=PLAN)
    assert response.status_code in {404, 422}
    assert_problem(response, response.status_code)
    assert LIFTER not in response.text
