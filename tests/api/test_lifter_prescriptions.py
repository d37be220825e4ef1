"""Prescriptions that know the lifter: what is used is shown, and says the same to everybody."""

from collections.abc import AsyncIterator
from random import Random
from typing import Any

import httpx
import msgspec
import pytest

from tests.api.gym import MESSAGEPACK, START, ago, day, gym, log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.rules.replay import safety_floor

BENCH = "barbell_bench_press"
FAILED = {"set_endpoint": "momentary_failure"}
CONTEXTS: list[dict[str, Any]] = [
    {"rep_target": 8},
    {"rep_target": 8, "exercise": BENCH, "load_kg": 80},
    {"rep_target": 1, "exercise": BENCH, "load_kg": 1000, "spotter": True, "goal": "strength"},
    {"rep_target": 30, "exercise": BENCH, "load_kg": 0.5, "exercise_order": 5, "exercises_in_session": 5},
    {"rep_target": 12, "exercise": "leg_press", "load_kg": 120, "set_order": 1, "sets_in_exercise": 3},
    {"rep_target": 12, "exercise": "incline_barbell_bench_press", "deload": True},
    {"rep_target": 15, "exercise_traits": {"joints": "single", "muscles": {"quadriceps": 1}}, "cautions": []},
    {"rep_target": 6, "exercise": BENCH, "load_percent_1rm": 85, "cautions": ["warning_signs"]},
    {"rep_target": 6, "exercise": BENCH, "reporting_bias": {"mean_reps": -1, "sd_reps": 0.5}},
    {"rep_target": 50, "exercise": "leg_extension", "experience": "advanced"},
]
INSTANTS = ("2000-01-01T00:00:00Z", day(10), day(21, 2), day(100), "2099-12-31T23:59:59+14:00", None)
OWN = ("context_used", "suggested_load")


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


async def ask(client: httpx.AsyncClient, lifter: str = "lifter-7", **body: Any) -> dict[str, Any]:
    """Return the prescription of a lifter, with a load suggested."""
    asked = {"suggest_load": "true"}
    answer = await client.post(path("prescriptions", lifter=lifter), json=body, params=asked)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


async def settle(client: httpx.AsyncClient) -> list[dict[str, Any]]:
    """Store and return three weeks of hard bench press and easier leg press."""
    sets = []
    for number in range(1, 25):
        hard = number % 2 == 0
        told = {"exercise": BENCH, "load_kg": 80, "reps": 9} if hard else {"exercise": "leg_press"}
        end = FAILED | {"rir_call": {"at_rep": 6, "reps_left": 1}} if hard else {"reported_rir": 3}
        sets.append(set_body(number, performed_at=day(number // 4 * 3.5, number % 4 / 20), **told | end))
    await log(client, *sets)
    return sets


def members(answer: httpx.Response) -> dict[str, bytes]:
    """Return the bytes of each member of an answer but those only a lifter's has, in their order."""
    assert answer.status_code == 200, answer.text
    raw = msgspec.json.decode(answer.content, type=dict[str, msgspec.Raw])
    return {name: bytes(value) for name, value in raw.items() if name not in OWN}


@pytest.mark.parametrize("detail", ["full", "brief"])
async def test_the_context_used_gives_the_identical_prescription(
    client: httpx.AsyncClient, detail: str
) -> None:
    """Sent to the endpoint that knows nobody, as it is: every member has the same bytes, in the same order."""
    await settle(client)
    await client.put(path(), json={"experience": "novice", "cautions": ["age_65_or_over"]})
    for context in CONTEXTS:
        for at in INSTANTS:
            for lifter in ("lifter-7", "nobody"):
                asked = path("prescriptions", lifter=lifter)
                own = await client.post(asked, json={**context, "at": at}, params={"detail": detail})
                used = msgspec.json.decode(own.content, type=dict[str, msgspec.Raw])["context_used"]
                plain = await client.post(
                    "/v1/prescriptions",
                    content=bytes(used),
                    headers={"content-type": "application/json"},
                    params={"detail": detail},
                )
                assert list(members(own).items()) == list(members(plain).items())


async def test_a_brief_prescription_is_the_full_one_shortened(client: httpx.AsyncClient) -> None:
    """Every member it has is the full one's; it has fewer."""
    await settle(client)
    for context in CONTEXTS:
        body = {**context, "at": day(21)}
        full = await client.post(f"{path('prescriptions')}?suggest_load=true", json=body)
        brief = await client.post(f"{path('prescriptions')}?suggest_load=true&detail=brief", json=body)
        assert set(OWN) <= set(brief.json()) < set(full.json())
        assert members(brief).items() < members(full).items()


async def test_messagepack_says_the_same(client: httpx.AsyncClient) -> None:
    """Either format in and out."""
    await settle(client)
    body = {"rep_target": 8, "exercise": BENCH, "load_kg": 80.0, "at": day(21)}
    packed = await client.post(
        f"{path('prescriptions')}?suggest_load=true",
        content=msgspec.msgpack.encode(body),
        headers={"content-type": MESSAGEPACK, "accept": MESSAGEPACK},
    )
    assert msgspec.msgpack.decode(packed.content) == await ask(client, **body)


async def test_history_fills_what_is_left_out(client: httpx.AsyncClient) -> None:
    """Exposures, recovery, failure share, load and bias; where none is sent and some is known."""
    await settle(client)
    used = (await ask(client, rep_target=8, exercise=BENCH, load_kg=80, at=day(23)))["context_used"]
    assert used["exposures"] == 4  # full protection (policy: Nosaka 2005 and judgement)
    assert used["hours_since_muscle_trained"] == pytest.approx(48, abs=4)
    assert used["failure_share_7d"] == 1  # every set of the chest in that week ended at failure
    assert 60 < used["load_percent_1rm"] < 95
    assert used["reporting_bias"]["mean_reps"] > 0.5
    for name in ("days_since_last_exposure", "hours_until_muscle_trained", "set_order", "spotter"):
        assert used[name] is None


async def test_what_is_sent_stands(client: httpx.AsyncClient) -> None:
    """History overrides nothing; the context used is what was sent, and the policy."""
    await settle(client)
    await client.put(path(), json={"experience": "novice", "goal": "power"})
    sent = {
        "rep_target": 9,
        "exercise": BENCH,
        "load_percent_1rm": 61.5,
        "experience": "advanced",
        "goal": "local_endurance",
        "exposures": 0.5,
        "days_since_last_exposure": 3,
        "hours_since_muscle_trained": 0,
        "hours_until_muscle_trained": 50,
        "failure_share_7d": 0,
        "reporting_bias": {"mean_reps": 2, "sd_reps": 1},
        "cautions": ["first_session"],
        "spotter": False,
    }
    found = await ask(client, **sent, load_kg=100, at=day(21))
    used = {name: value for name, value in found["context_used"].items() if value is not None}
    assert used == {**sent, "policy": found["policy"]["version"]}


async def test_the_profile_speaks_where_the_app_is_silent(client: httpx.AsyncClient) -> None:
    """Experience and goal; cautions of both count, none is lost."""
    await client.put(path(), json={"experience": "novice", "goal": "power", "cautions": ["pregnancy"]})
    used = (await ask(client, rep_target=8, goal="strength", cautions=["under_18"]))["context_used"]
    assert (used["experience"], used["goal"]) == ("novice", "strength")
    assert sorted(used["cautions"]) == ["pregnancy", "under_18"]
    assert (await ask(client, rep_target=8, cautions=[]))["context_used"]["cautions"] == ["pregnancy"]


async def test_a_load_becomes_a_percent_once_a_1rm_is_known(client: httpx.AsyncClient) -> None:
    """Of this exercise; 100 % at most; and then a load is suggested, in steps of the equipment."""
    asked = {"rep_target": 8, "exercise": BENCH, "load_kg": 80, "at": day(2)}
    await log(
        client, set_body(1, exercise="leg_press", **FAILED), set_body(2, set_endpoint="technical_failure")
    )
    before = await ask(client, **asked)
    assert (before["context_used"]["load_percent_1rm"], before["suggested_load"]) == (None, None)
    await log(client, set_body(3, load_kg=85, reps=6, **FAILED))
    state = (await client.get(path("state"), params={"at": day(2)})).json()
    one_rep_max = next(each for each in state["exercises"] if each["exercise"] == BENCH)["one_rep_max_kg"][
        "mean"
    ]
    after = await ask(client, **asked)
    assert after["context_used"]["load_percent_1rm"] == pytest.approx(8000 / one_rep_max, abs=0.002)
    assert after["suggested_load"]["load_kg"] % 2.5 == 0
    assert 60 < after["suggested_load"]["load_kg"] < one_rep_max
    for load, percent in ((1000, 100), (0, None), (None, None)):
        assert (await ask(client, **asked | {"load_kg": load}))["context_used"]["load_percent_1rm"] == percent
    nameless = await ask(client, rep_target=8, load_kg=80, at=day(2))
    assert (nameless["context_used"]["load_percent_1rm"], nameless["suggested_load"]) == (None, None)


@pytest.mark.parametrize("detail", ["full", "brief"])
async def test_the_answer_adds_the_context_used_and_nothing_unasked(
    client: httpx.AsyncClient, detail: str
) -> None:
    """Without it, the answer is the stateless one to that context, byte for byte."""
    await settle(client)
    body = {"rep_target": 8, "exercise": BENCH, "load_kg": 80}
    found = (await client.post(path("prescriptions"), json=body, params={"detail": detail})).json()
    used = found.pop("context_used")
    stateless = await client.post("/v1/prescriptions", json=used, params={"detail": detail})
    assert stateless.json() == found
    asked = {"detail": detail, "suggest_load": "true"}
    more = (await client.post(path("prescriptions"), json=body, params=asked)).json()
    assert set(more) - set(found) == {"context_used", "suggested_load"}


async def test_at_an_earlier_instant_later_sets_are_unknown(client: httpx.AsyncClient) -> None:
    """The answer is that to a lifter with only the sets up to then, byte for byte."""
    sets = await settle(client)
    for count in (0, 5, 12, 24):
        at = day(-1) if count == 0 else sets[count - 1]["performed_at"]
        lifter = f"only-{count}"
        await client.put(path(lifter=lifter), json={})
        await log(client, *sets[:count], lifter=lifter)
        for context in CONTEXTS[:5]:
            body = {**context, "at": at}
            then = await client.post(path("prescriptions"), json=body)
            assert (
                then.content == (await client.post(path("prescriptions", lifter=lifter), json=body)).content
            )


async def test_a_safety_stop_is_heeded_for_two_weeks(client: httpx.AsyncClient) -> None:
    """It adds the caution of a recent injury with its floor of two in reserve. How long is judgement."""
    await log(client, set_body(1, performed_at=day(0), set_endpoint="safety_stop"))
    close = {"rep_target": 12, "exercise": "leg_extension", "experience": "advanced", "exposures": 4}
    held = await ask(client, **close, at=day(13))
    assert held["context_used"]["cautions"] == ["recent_injury_or_surgery"]
    assert "recent_injury_or_surgery" in [caution["code"] for caution in held["cautions"]]
    assert held["reps_in_reserve"]["low"] >= 2
    assert (await ask(client, **close, at=day(15)))["context_used"]["cautions"] is None


async def test_an_unknown_lifter_is_a_cold_start(client: httpx.AsyncClient) -> None:
    """200, and the assumptions say what is not known; nobody is made by asking."""
    found = await ask(client, rep_target=8, exercise=BENCH)
    assert {"experience", "goal", "exposures"} <= {each["field"] for each in found["assumptions"]}
    assert (found["reported_reps_in_reserve"], found["suggested_load"]) == (None, None)
    assert_problem(await client.get(path()), 404)


async def test_bad_questions_name_every_place(client: httpx.AsyncClient) -> None:
    """Of the context, of what is added for lifters, and of the query."""
    body = {
        "exercise": "leg_pres",
        "load_kg": 1001,
        "at": "2024-03-04 18:00:00Z",
        "exercise_order": 3,
        "exercises_in_session": 2,
        "policy": "2001-01-01",
        "lifter": 1,
    }
    names = ("rep_target", "exercise", "load_kg", "at", "exercise_order", "policy", "lifter")
    answer = await client.post(f"{path('prescriptions')}?detail=long&at=x", json=body)
    assert_problem(answer, 422, *(f"#/{name}" for name in names), "detail", "at")


async def test_a_wild_history_is_answered_within_the_floors(client: httpx.AsyncClient) -> None:
    """Half a kilogram, 200 reps, a ton, contradictions, many sets at one instant: no answer but a sound one."""
    rnd = Random(7)
    ends = ("planned_stop", "self_determined_rm", "momentary_failure", "technical_failure", "volitional_stop")
    instants = [START.isoformat(), ago(0), ago(1), "2000-01-01T00:00:00Z", day(700), day(700, 1)]
    sets = [
        set_body(
            number,
            performed_at=rnd.choice(instants),
            exercise=rnd.choice((BENCH, "leg_press", "leg_extension", "push_up")),
            load_kg=rnd.choice((0, 0.5, 0.5, 80, 1000)),
            reps=(reps := rnd.choice((0, 1, 8, 200))),
            set_endpoint=rnd.choice(ends),
            reported_rir=rnd.choice((None, 0, 5.5, 10)),
            rir_call={"at_rep": 1, "reps_left": rnd.choice((0, 5, 10))} if reps else None,
            set_order=rnd.choice((None, 1, 30)),
        )
        for number in range(1, 401)
    ]
    await log(client, *sets)
    for context in CONTEXTS:
        for at in INSTANTS:
            found = await ask(client, **context, at=at)
            used, reserve = found["context_used"], found["reps_in_reserve"]
            assert (reserve is None) == (found["decision"] == "withhold")
            if reserve is not None:
                floor = safety_floor(used)
                assert floor <= reserve["low"] <= reserve["target"] <= reserve["high"] <= 10
                assert floor <= (found["reported_reps_in_reserve"] or floor) <= 15
                assert (found["suggested_load"] or {"load_kg": 0})["load_kg"] >= 0
    for place in ("state", "review", "export"):
        answer = await client.get(path(place))
        assert answer.status_code == 200
        assert b"nan" not in answer.content.lower()


async def test_no_load_is_so_small_that_it_spoils_what_is_known(client: httpx.AsyncClient) -> None:
    """The smallest numbers there are, beside the largest load: the 1RM stays a number, and answers come."""
    for place, loads in enumerate(((1000, 5e-324, 80), (1000, 1e-306), (5e-324, 1000), (1e-310, 80, 1e-310))):
        lifter = f"lifter-{place}"
        sets = (set_body(n, load_kg=load, **FAILED) for n, load in enumerate(loads, 1))
        await log(client, *sets, lifter=lifter)
        state = (await client.get(path("state", lifter=lifter))).json()
        assert None not in state["exercises"][0]["one_rep_max_kg"].values()
        found = await ask(client, lifter, rep_target=8, exercise=BENCH, load_kg=80)
        assert 0 < found["context_used"]["load_percent_1rm"] <= 100
