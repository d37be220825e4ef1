"""A plan begun by a history: what it starts with, what stands before it, and that the plan goes on like logged sets."""

from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.rules.learning.context import LifterSetContext, Profile, fill
from service.rules.learning.fold import learn_all
from service.rules.learning.known import Known, micros_of
from service.rules.learning.performed import PerformedSet, instant_of
from service.rules.plans.start import Start, start_from_history
from service.rules.prescribe import prescribe
from tests.rules.contexts import POLICY, Document, brisk
from tests.rules.lifters import at, performed
from tests.rules.plans_at_will import documents
from tests.rules.whole_plans import (
    BASIS,
    LIFTS,
    answer,
    contexts,
    encoded,
    history,
    placed,
    plan_of,
    session,
    sets_of,
    settled,
)

LEGS = sets_of("leg_press", 1)
few = settings(brisk, max_examples=25)


BENCH_LOG = [
    performed(
        at(day, hours=place / 10),
        number,
        exercise=exercise,
        load_kg=load,
        set_endpoint=end,
        rir_call={"at_rep": 5, "reps_left": 1} if end == "momentary_failure" else None,
        reported_rir=2.0,
    )
    for number, (day, place, exercise, load, end) in enumerate(
        [
            (1, 0, "barbell_bench_press", 80, "planned_stop"),
            (1, 1, "leg_press", 160, "planned_stop"),
            (3, 0, "barbell_bench_press", 80, "momentary_failure"),
            (5, 0, "leg_press", 160, "safety_stop"),
            (6, 0, "barbell_bench_press", 82.5, "momentary_failure"),
        ],
        1,
    )
]


def begun(
    document: Document, *sets: PerformedSet, days: float = 0.0, profile: Profile | None = None
) -> Start:
    """Return the start of a plan whose first session comes `days` after day 7 of the log."""
    empty, known = history(*sets, before=document, days=days)
    return start_from_history(plan_of(document), profile or empty, known)


def test_a_history_says_what_the_plan_starts_with() -> None:
    """Exposures with credit for like exercises, hours, failure share, bias, a safety stop; the profile's members."""
    lifts = ("barbell_bench_press", "dumbbell_bench_press", "leg_press", "leg_extension")
    document: Document = {"sessions": [session(*(sets_of(lift, 1) for lift in lifts))]}
    profile = Profile(experience="novice", goal="local_endurance", cautions=("under_18",))
    start = begun(document, *BENCH_LOG, profile=profile)
    bench, like, press, new = contexts(answer(document, start=start))
    assert (bench.exposures, like.exposures, press.exposures, new.exposures) == (3.0, 1.5, 2.0, 0.0)
    assert (bench.hours_since_muscle_trained, press.hours_since_muscle_trained) == (24.0, 48.0)
    assert bench.failure_share_7d == pytest.approx(2 / 3, abs=0.001)
    assert press.failure_share_7d == 0
    for context in (bench, like, press, new):
        assert (context.experience, context.goal) == ("novice", "local_endurance")
        assert context.cautions == ("under_18", "recent_injury_or_surgery")
        assert context.reporting_bias is not None
        assert context.reporting_bias.mean_reps > 0


def test_what_the_plan_tells_stands_before_the_history() -> None:
    """Experience, goal, exposures of the exercises it names; told cautions are added to the profile's."""
    document: Document = {
        "lifter": {
            "experience": "advanced",
            "goal": "strength",
            "cautions": ["age_65_or_over"],
            "exposures": {"barbell_bench_press": 1, "dumbbell_bench_press": 0, "push_up": 4},
        },
        "sessions": [
            session(
                *(sets_of(lift, 1) for lift in ("barbell_bench_press", "dumbbell_bench_press", "leg_press"))
            )
        ],
    }
    profile = Profile(experience="novice", cautions=("under_18",))
    bench, like, press = contexts(answer(document, start=begun(document, *BENCH_LOG, profile=profile)))
    assert (bench.experience, bench.goal) == ("advanced", "strength")
    assert bench.cautions == ("under_18", "age_65_or_over", "recent_injury_or_surgery")
    assert (bench.exposures, like.exposures) == (1.0, 0.0)
    assert press.exposures == 2.0


def test_a_profile_without_sets_is_a_cold_start() -> None:
    """Nothing but the profile is filled in: exposures accustomed, no bias, no hours."""
    document: Document = {"sessions": [session(LEGS), session(LEGS, hours=96)]}
    profile = Profile(experience="novice")
    found = answer(document, start=start_from_history(plan_of(document), profile, Known()))
    told = answer({**document, "lifter": {"experience": "novice"}})
    assert encoded(found) == encoded(told)


def as_done(document: Document, start: Start) -> list[list[PerformedSet]]:
    """Return the plan's sets, by session, as a lifter would log them who does what is prescribed or proposed."""
    sessions: list[list[PerformedSet]] = [[] for _ in document["sessions"]]
    for stand in settled(document, start).stands:
        if stand.slot.cut or stand.reserve_reps is None:
            continue
        failed = stand.reserve_reps < 0.5
        sessions[stand.slot.session].append(
            PerformedSet(
                performed_at=stand.slot.starts_at.isoformat(),
                exercise=stand.slot.exercise.id,
                load_kg=0,
                reps=8,
                set_endpoint="momentary_failure" if failed else "planned_stop",
                reported_rir=stand.reserve_reps,
            )
        )
    return sessions


@st.composite
def logs(draw: st.DrawFn) -> list[PerformedSet]:
    """Up to eight sets within two weeks before the plan, of its exercises, some to failure, oldest first."""
    days = sorted(draw(st.lists(st.floats(-7, 6.5), min_size=1, max_size=8)))
    return [
        performed(
            at(day),
            number,
            exercise=draw(st.sampled_from(LIFTS)),
            set_endpoint=draw(st.sampled_from(("planned_stop", "momentary_failure", "safety_stop"))),
            reported_rir=draw(st.sampled_from((0, 2, 6))),
        )
        for number, day in enumerate(days, 1)
    ]


def asked(one: Any, **places: Any) -> LifterSetContext:
    """Return what an app would ask about the set, the places of the plan told."""
    told = {name: getattr(one, name) for name in ("rep_target", "load_percent_1rm", "exercise", "set_order")}
    return LifterSetContext(**told, **places)


@few
@given(documents(limits=False, progression=False), logs())
def test_a_plan_goes_on_as_if_its_sessions_were_logged(document: Document, log: list[PerformedSet]) -> None:
    """What each session's first sets know is what the single call knows once the sessions before are stored.

    Exposures, hours since, failure share, cautions. Two sessions within six hours are left out: a history takes
    them for one, of which the second half has not rested; a plan knows better.
    """
    document = {name: value for name, value in document.items() if name != "lifter"}
    for number, day in enumerate(document["sessions"]):
        day["starts_at"] = session(hours=number * 31.0)["starts_at"]
    start = begun(document, *log)
    done = as_done(document, start)
    first = instant_of(document["sessions"][0]["starts_at"])
    stored = [
        replace(one, performed_at=(instant_of(one.performed_at) + (first - at(7))).isoformat()) for one in log
    ]
    seen = set()
    for (number, _, _), one in placed(answer(document, start=start)).items():
        used = one.context_used
        if (number, used.exercise) in seen:
            continue
        seen.add((number, used.exercise))
        known = learn_all([*stored, *(each for day in done[:number] for each in day)], POLICY, BASIS.learning)
        instant = micros_of(instant_of(document["sessions"][number]["starts_at"]))
        places = {"exercise_order": used.exercise_order, "deload": used.deload}
        single = fill(asked(used, **places), Profile(), known, instant, POLICY, BASIS.learning).context_used
        for name in ("exposures", "hours_since_muscle_trained", "failure_share_7d", "cautions"):
            assert getattr(used, name) == getattr(single, name), name


@few
@given(documents(), logs())
def test_with_a_history_context_used_gives_the_identical_prescription(
    document: Document, log: list[PerformedSet]
) -> None:
    """Byte for byte, what the lifter should say included; and the history given is left as it was."""
    start = begun(document, *log)
    before = msgspec.json.encode(start)
    for one in placed(answer(document, "full", start)).values():
        assert one.context_used.reporting_bias is not None
        assert encoded(prescribe(one.context_used, POLICY)) == encoded(one.prescription)
    assert msgspec.json.encode(start) == before
