"""From history to a context: what is filled, what stands, and that the stateless answer is the same."""

import math
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.rules.answer import Prescription
from service.rules.context import SetContext
from service.rules.learning.context import Filled, LifterSetContext, Profile, fill, needed, strength_known
from service.rules.learning.fold import learn, learn_all
from service.rules.learning.known import Known
from service.rules.learning.performed import PerformedSet
from service.rules.prescribe import prescribe
from tests.rules.contexts import documents
from tests.rules.lifters import NUMBERS, POLICY, at, known_from, micros, performed

EXERCISES = ("barbell_bench_press", "dumbbell_bench_press", "leg_press", "cable_triceps_pushdown")
PROFILE = Profile(experience="novice", goal="strength", cautions=("under_18",))
ENDPOINTS = ("planned_stop", "self_determined_rm", "momentary_failure", "technical_failure", "safety_stop")


@st.composite
def histories(draw: st.DrawFn) -> list[PerformedSet]:
    """Draw up to 15 sets, oldest first, plausible or not."""
    count = draw(st.integers(0, 15))
    hours = sorted(draw(st.lists(st.floats(0, 4000), min_size=count, max_size=count)))
    return [
        performed(
            at(-200, hours=hour),
            number + 1,
            exercise=draw(st.sampled_from(EXERCISES)),
            load_kg=draw(st.sampled_from([0, 0.5, 40, 80, 120, 1000])),
            reps=draw(st.integers(0, 30)),
            set_endpoint=draw(st.sampled_from(ENDPOINTS)),
            reported_rir=draw(st.none() | st.sampled_from([0, 0.5, 2, 5, 9])),
            rir_call=draw(st.none() | st.just({"at_rep": 1, "reps_left": 2})),
            set_order=draw(st.none() | st.integers(1, 5)),
        )
        for number, hour in enumerate(hours)
    ]


def ask(known: Known, load_kg: float | None = None, profile: Profile | None = None, **members: Any) -> Filled:
    """Return a set context on top of a history, at the start instant."""
    told = {"rep_target": 8, "load_kg": load_kg, **members}
    context = msgspec.convert(told, LifterSetContext, strict=True)
    return fill(context, profile or Profile(), known, micros(at()), POLICY, NUMBERS)


def prescribed(known: Known, **members: Any) -> Prescription:
    """Return what is prescribed for a set context on top of a history."""
    return prescribe(ask(known, **members).context_used, POLICY)


@settings(max_examples=120, deadline=None, derandomize=True)
@given(history=histories(), document=documents(), load_kg=st.none() | st.floats(0, 1000))
def test_the_context_used_gives_the_identical_prescription(
    history: list[PerformedSet], document: dict[str, Any], load_kg: float | None
) -> None:
    """Sent over the wire to the stateless endpoint, it answers byte for byte the same."""
    context = msgspec.convert(document | {"load_kg": load_kg}, LifterSetContext, strict=True)
    known = learn_all(history, POLICY, NUMBERS)
    used = fill(context, PROFILE, known, micros(at()), POLICY, NUMBERS).context_used
    sent = msgspec.json.decode(msgspec.json.encode(used), type=SetContext)
    assert msgspec.json.encode(prescribe(sent, POLICY)) == msgspec.json.encode(prescribe(used, POLICY))
    for name, value in document.items():
        if value is not None and name != "cautions":
            assert getattr(used, name) == getattr(context, name)  # what was said stands


@settings(max_examples=60, deadline=None, derandomize=True)
@given(history=histories(), document=documents())
def test_the_rows_needed_are_enough(history: list[PerformedSet], document: dict[str, Any]) -> None:
    """A store loads these few rows only; the answer is as with all."""
    context = msgspec.convert(document | {"load_kg": 60}, LifterSetContext, strict=True)
    known = learn_all(history, POLICY, NUMBERS)
    wanted = needed(context, POLICY)
    part = Known(
        lifter=known.lifter,
        exercises={name: row for name, row in known.exercises.items() if name in wanted.exercises},
        muscles={name: row for name, row in known.muscles.items() if name in wanted.muscles},
    )
    whole = fill(context, PROFILE, known, micros(at()), POLICY, NUMBERS)
    assert fill(context, PROFILE, part, micros(at()), POLICY, NUMBERS) == whole


@settings(max_examples=60, deadline=None, derandomize=True)
@given(history=histories(), split=st.integers(0, 15))
def test_rows_kept_between_sets_equal_folding_anew(history: list[PerformedSet], split: int) -> None:
    """What a store keeps (through MessagePack) and carries forward is the recomputation, to the last bit."""
    kept = learn_all(history[:split], POLICY, NUMBERS)
    stored = msgspec.msgpack.decode(msgspec.msgpack.encode(kept), type=Known)
    for later in history[split:]:
        learn(stored, later, POLICY, NUMBERS)
    assert stored == learn_all(history, POLICY, NUMBERS)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(history=histories())
def test_learning_never_undercuts_a_safety_floor(history: list[PerformedSet]) -> None:
    """Whatever was logged: target, low and what the lifter should say stay at or above 3 in pregnancy."""
    known = learn_all(history, POLICY, NUMBERS)
    found = prescribed(known, cautions=["pregnancy"], exercise=EXERCISES[0])
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.low >= 3
    assert found.reported_reps_in_reserve is None or found.reported_reps_in_reserve >= 3


def test_a_lifter_without_history_is_a_cold_start() -> None:
    """Nothing is filled in; the assumptions say what was taken."""
    filled = ask(Known(), exercise=EXERCISES[0], load_kg=80)
    assert filled.context_used == SetContext(rep_target=8, exercise=EXERCISES[0], policy=POLICY.version)
    assert "exposures" in {entry.field for entry in prescribe(filled.context_used, POLICY).assumptions}
    assert filled.suggested_load is None


def test_what_a_profile_says_holds_unless_the_set_says_otherwise() -> None:
    """Experience and goal, with a history and without; cautions of both."""
    for known in (Known(), known_from(performed(at(-3), 1))):
        used = ask(known, profile=PROFILE).context_used
        assert (used.experience, used.goal, used.cautions) == ("novice", "strength", ("under_18",))
        told = ask(
            known, profile=PROFILE, experience="advanced", goal="power", cautions=["pregnancy"]
        ).context_used
        assert (told.experience, told.goal) == ("advanced", "power")
        assert set(told.cautions or ()) == {"under_18", "pregnancy"}


def test_an_exercise_never_done_is_new_and_a_like_one_counts_half() -> None:
    """Sibling credit: judgement on Hyldahl 2017."""
    known = known_from(*(performed(at(-7 * (8 - n)), n + 1, reported_rir=1) for n in range(8)))
    assert ask(known, exercise="leg_press").context_used.exposures == 0.0
    assert ask(known, exercise="dumbbell_bench_press").context_used.exposures == 2.0
    assert ask(known, exercise="barbell_bench_press").context_used.exposures == 4.0


def test_the_session_under_way_is_neither_exposure_nor_lack_of_recovery() -> None:
    """Sets of ten minutes ago belong to today; the day before does not."""
    today = performed(at(seconds=-600), 2, reported_rir=1)
    alone = ask(known_from(today), exercise=EXERCISES[0]).context_used
    assert (alone.exposures, alone.hours_since_muscle_trained) == (0.0, None)
    both = ask(known_from(performed(at(-1), 1, reported_rir=1), today), exercise=EXERCISES[0]).context_used
    assert both.hours_since_muscle_trained == 24.0
    assert both.exposures == 1.0
    before, begun = performed(at(-1), 1, reported_rir=1), performed(at(seconds=-1200), 2, reported_rir=1)
    third = performed(at(seconds=-600), 3, reported_rir=1)
    assert ask(known_from(before, begun, third), exercise=EXERCISES[0]).context_used == both


def test_a_safety_stop_adds_a_caution_to_what_comes_next() -> None:
    """For two weeks; then it has passed."""
    known = known_from(performed(at(-1), 1, set_endpoint="safety_stop"))
    assert ask(known).context_used.cautions == ("recent_injury_or_surgery",)
    older = known_from(performed(at(-15), 1, set_endpoint="safety_stop"))
    assert ask(older).context_used.cautions is None


def test_a_load_in_kg_becomes_a_share_of_the_learned_1rm_and_back() -> None:
    """80 kg for 8 to failure is about 80 % of 1RM (handbook table, secondary); a load is suggested in steps."""
    known = known_from(
        *(performed(at(-7 * (6 - n)), n + 1, set_endpoint="momentary_failure") for n in range(6))
    )
    filled = ask(known, load_kg=80, exercise=EXERCISES[0])
    assert filled.context_used.load_percent_1rm is not None
    assert 76 <= filled.context_used.load_percent_1rm <= 84
    assert filled.suggested_load is not None
    assert filled.suggested_load.load_kg % 2.5 == 0
    assert filled.suggested_load.load_kg < 80


@pytest.mark.parametrize(("reps", "heavier"), [(16, 1), (6, -1)])
def test_a_suggested_load_follows_the_lifters_own_curve(reps: int, heavier: int) -> None:
    """Who does more (fewer) repetitions than others is given a heavier (lighter) load for ten, of the same 1RM."""
    singles = [
        performed(at(-40 + n), n + 1, load_kg=100, reps=1, set_endpoint="momentary_failure") for n in range(8)
    ]
    sets = [
        performed(at(-30 + n), n + 9, load_kg=75, reps=reps, set_endpoint="momentary_failure")
        for n in range(8)
    ]
    known = known_from(*singles, *sets)
    filled = ask(known, exercise=EXERCISES[0], rep_target=10, spotter=True)
    strength = strength_known(EXERCISES[0], known, micros(at()), NUMBERS)
    target = prescribe(filled.context_used, POLICY).reps_in_reserve
    assert strength is not None
    assert target is not None
    assert filled.suggested_load is not None
    capacity = POLICY.data.capacity
    scale = capacity.scale * capacity.families["bench_press"].scale
    by_scale = {
        name: math.exp(strength.log_1rm) / (1 + ((9 + target.target) / each) ** (1 / capacity.exponent))
        for name, each in (("own", scale * math.exp(strength.offset)), ("general", scale))
    }
    assert heavier * (by_scale["own"] - by_scale["general"]) > 2.5
    assert filled.suggested_load.load_kg == pytest.approx(by_scale["own"], abs=1.25)


def test_a_known_bias_tells_what_to_say() -> None:
    """A lifter who always has three more learns to report less than the target."""
    call = {"at_rep": 5, "reps_left": 1}
    log = [
        performed(at(-30 + 3 * n), n + 1, reps=9, set_endpoint="momentary_failure", rir_call=call)
        for n in range(8)
    ]
    found = prescribed(known_from(*log), exercise=EXERCISES[0], spotter=True)
    assert found.reps_in_reserve is not None
    assert found.reported_reps_in_reserve is not None
    assert found.reported_reps_in_reserve <= found.reps_in_reserve.target - 1.5
