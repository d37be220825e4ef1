"""Laws of whole plans: each set as the single endpoint has it, what later work may change, what is never undercut."""

from math import fsum
from typing import Any

import msgspec
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.rules.answer import BriefPrescription, Prescription
from service.rules.carryover.predict import PredictedSet, predict
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from tests.rules import contexts as single
from tests.rules import replay
from tests.rules.contexts import POLICY, Document, brisk
from tests.rules.plans_at_will import documents, exercises_at_will, lifters_at_will, sets_at_will
from tests.rules.whole_plans import (
    BASIS,
    LEGS,
    LIFTS,
    PRESSES,
    TINY,
    answer,
    encoded,
    factors,
    instant,
    placed,
    planned,
    session,
    settled,
    target,
    targets,
)

few = settings(brisk, max_examples=25)


def sent(context: SetContext) -> SetContext:
    """Return the context as the single endpoint reads it from the wire."""
    return msgspec.json.decode(msgspec.json.encode(context), type=SetContext)


def changed(document: Document, at: int, exercises: list[Document]) -> Document:
    """Return the plan with other exercises in one session."""
    days = [dict(day) for day in document["sessions"]]
    days[at]["exercises"] = exercises
    return {**document, "sessions": days}


@few
@given(documents())
def test_every_context_used_gives_the_identical_prescription(document: Document) -> None:
    """In full byte for byte; in brief what the single endpoint answers in brief, with the same targets and places."""
    full, brief = answer(document, "full"), answer(document, "brief")
    assert msgspec.structs.asdict(full) | {"sessions": None} == msgspec.structs.asdict(brief) | {
        "sessions": None
    }
    for one, short in zip(placed(full).values(), placed(brief).values(), strict=True):
        assert isinstance(one.prescription, Prescription)
        assert encoded(prescribe(sent(one.context_used), POLICY)) == encoded(one.prescription)
        assert isinstance(short.prescription, BriefPrescription)
        assert prescribe_brief(sent(short.context_used), POLICY) == short.prescription
        assert replace(one, prescription=None) == replace(short, prescription=None)


@brisk
@given(lifters_at_will(), sets_at_will(), st.sampled_from(LIFTS))
def test_a_plan_of_one_set_is_the_single_call(lifter: Document, one: Document, exercise: str) -> None:
    """The same told members, places 1 of 1, no later set: the whole prescription is equal but for nothing."""
    found = answer({"lifter": lifter, "sessions": [session({"exercise": exercise, "sets": [one]})]}, "full")
    told = {name: value for name, value in lifter.items() if name != "exposures"}
    told |= {name: value for name, value in one.items() if name in ("rep_target", "load_percent_1rm")}
    if "exposures" in lifter:
        told["exposures"] = lifter["exposures"].get(exercise, 0)
    places = ("exercise_order", "exercises_in_session", "set_order", "sets_in_exercise")
    told |= dict.fromkeys(places, 1) | {"exercise": exercise, "later_overlapping_sets": 0}
    assert encoded(placed(found)[0, 0, 0].prescription) == encoded(single.answer(told))


@brisk
@given(lifters_at_will(), st.sampled_from(LIFTS), st.integers(1, 50))
def test_a_single_call_that_does_not_tell_of_later_sets_has_the_same_target(
    lifter: Document, exercise: str, reps: int
) -> None:
    """The only set of the only exercise is neither early nor late, told or not that nothing follows."""
    work = {"exercise": exercise, "sets": [{"rep_target": reps}]}
    found = placed(answer({"lifter": lifter, "sessions": [session(work)]}))[0, 0, 0]
    told = {name: value for name, value in lifter.items() if name != "exposures"}
    if "exposures" in lifter:
        told["exposures"] = lifter["exposures"].get(exercise, 0)
    places = ("exercise_order", "exercises_in_session", "set_order", "sets_in_exercise")
    asked = told | dict.fromkeys(places, 1) | {"exercise": exercise, "rep_target": reps}
    assert single.answer(asked).reasons == found.prescription.reasons


@st.composite
def added(draw: st.DrawFn) -> tuple[Document, Document, tuple[int, ...]]:
    """A plan, the same with a set, an exercise or a session more, and the place where that was put in."""
    document = draw(documents(limits=False, progression=False))
    days = document["sessions"]
    kind, at = draw(st.sampled_from(("set", "exercise", "session"))), draw(st.integers(0, len(days) - 1))
    if kind == "session":
        last = days[-1]["starts_at"]
        later = {"starts_at": instant(2000.0), "exercises": [draw(exercises_at_will())]}
        assume(last < later["starts_at"])
        return document, {**document, "sessions": [*days, later]}, (len(days),)
    exercises = days[at]["exercises"]
    if kind == "exercise":
        place = draw(st.integers(1, len(exercises)))
        more = [*exercises[:place], draw(exercises_at_will()), *exercises[place:]]
        return document, changed(document, at, more), (at, place)
    place = draw(st.integers(0, len(exercises) - 1))
    sets = exercises[place]["sets"]
    longer = {**exercises[place], "sets": [*sets, draw(sets_at_will())]}
    more = [*exercises[:place], longer, *exercises[place + 1 :]]
    return document, changed(document, at, more), (at, place, len(sets))


@brisk
@given(added())
def test_work_added_later_never_moves_an_earlier_target_closer(
    case: tuple[Document, Document, tuple[int, ...]],
) -> None:
    """A set more in an exercise, an exercise more, a session more: all sets before it stay or move away.

    Without limits: under a share limit more sets at easier effort are a larger whole, of which more may fail, and so an
    earlier set may come back to failure. Without a deload's cut sets, which nobody does.
    """
    document, longer, place = case
    before, after = targets(answer(document)), targets(answer(longer))
    earlier = [at for at in before if at < place]
    assert all(at in after and after[at] >= before[at] for at in earlier)


@brisk
@given(documents(limits=False, progression=False), st.data())
def test_a_session_put_in_between_never_moves_an_earlier_target_closer(
    document: Document, data: st.DataObject
) -> None:
    """The next training of a muscle comes sooner, never later."""
    days = document["sessions"]
    assume(len(days) > 1)
    at = data.draw(st.integers(1, len(days) - 1))
    # leave out the session first, so that putting it in is the change
    without = {**document, "sessions": [*days[:at], *days[at + 1 :]]}
    before, after = targets(answer(without)), targets(answer(document))
    assert all(after[place] >= before[place] for place in before if place[0] < at)


@brisk
@given(documents(limits=False, progression=False), st.data())
def test_overlap_removed_never_raises_an_earlier_target(document: Document, data: st.DataObject) -> None:
    """A later exercise gives way to one that shares no muscle with the earlier, or loses its last sets."""
    days = document["sessions"]
    at = data.draw(st.integers(0, len(days) - 1), label="session")
    exercises = days[at]["exercises"]
    place = data.draw(st.integers(0, len(exercises) - 1), label="exercise")
    gone = exercises[place]
    if data.draw(st.booleans(), label="replaced"):
        other = data.draw(st.sampled_from(LIFTS), label="by")
        less, first = {**gone, "exercise": other}, (at, place)
    else:
        kept = data.draw(st.integers(1, len(gone["sets"])), label="kept")
        other, less, first = None, {**gone, "sets": gone["sets"][:kept]}, (at, place, kept)
    after = answer(changed(document, at, [*exercises[:place], less, *exercises[place + 1 :]]))
    muscles = POLICY.data.exercises[other].muscles.keys() if other else set()
    new, old = targets(after), answer(document)
    for earlier, one in placed(old).items():
        own = POLICY.data.exercises[str(one.context_used.exercise)].muscles
        if earlier < first and earlier in new and not own.keys() & muscles:
            assert new[earlier] <= target(one)


@brisk
@given(
    st.lists(exercises_at_will(PRESSES), min_size=1, max_size=3),
    st.lists(exercises_at_will(LEGS), min_size=1, max_size=3),
    st.sampled_from((1.0, 5.0, 24.0, 47.0, 100.0)),
    lifters_at_will(),
)
def test_sessions_without_a_muscle_in_common_may_swap_their_times(
    presses: list[Document], legs: list[Document], hours: float, lifter: Document
) -> None:
    """Same week, no progression: each set's prescription and what is completed stay, to the last byte."""
    one = answer({"lifter": lifter, "sessions": [session(*presses), session(*legs, hours=hours)]}, "full")
    other = answer({"lifter": lifter, "sessions": [session(*legs), session(*presses, hours=hours)]}, "full")
    assert msgspec.json.encode(one.sessions[::-1]) == msgspec.json.encode(other.sessions)
    assert one.weeks == other.weeks
    assert one.carryover.as_prescribed.total_reps == pytest.approx(other.carryover.as_prescribed.total_reps)


def proposed(document: Document) -> tuple[PredictedSet, ...]:
    """Return what becomes of each set of the plan as proposed."""
    return predict(planned(settled(document), lambda stand: stand.reserve_reps), BASIS.carryover)


@st.composite
def moved_closer(draw: st.DrawFn) -> tuple[Document, Document, int]:
    """A plan with proposals, the same with one set closer, and which one of its trained sets that is.

    One session of any kind; or several of which every set has a load and a proposal. Else what is proposed for one day
    changes what is prescribed, and so done, on the next: more failure calls for more distance.
    """
    several = draw(st.booleans())
    document = draw(documents(limits=False, most_sessions=3 if several else 1))
    document = msgspec.json.decode(msgspec.json.encode(document))
    sets = [one for day in document["sessions"] for each in day["exercises"] for one in each["sets"]]
    for one in sets if several else ():
        one.setdefault("load_percent_1rm", 70.0)
        one.setdefault("reps_in_reserve", 2.0)
    trained = [place for place, one in enumerate(placed(answer(document)).values()) if not one.cut]
    index = draw(st.integers(0, len(trained) - 1))
    far, near = draw(st.sampled_from(((10.0, 3.0), (4.0, 1.0), (3.0, 0.0), (1.0, 0.4), (0.4, 0.0))))
    sets[trained[index]]["reps_in_reserve"] = far
    closer = msgspec.json.decode(msgspec.json.encode(document))
    again = [one for day in closer["sessions"] for each in day["exercises"] for one in each["sets"]]
    again[trained[index]]["reps_in_reserve"] = near
    return document, closer, index


@brisk
@given(moved_closer())
def test_a_set_moved_closer_never_raises_what_another_completes(case: tuple[Document, Document, int]) -> None:
    """And the total rises by no more than the reserve given up.

    That the total itself never rises cannot hold: the set that moves completes the repetitions it no longer leaves. A
    plan of one set shows it.
    """
    before, after = proposed(case[0]), proposed(case[1])
    gained = [new.predicted_reps - old.predicted_reps for old, new in zip(before, after, strict=True)]
    given_up = before[case[2]].reps_left - after[case[2]].reps_left
    assert gained[case[2]] == pytest.approx(given_up, abs=TINY)
    assert all(gain <= TINY for place, gain in enumerate(gained) if place != case[2])
    totals = []
    for document, done in zip(case[:2], (before, after), strict=True):
        told = answer(document).carryover.as_proposed
        assert told is not None
        assert told.total_reps == pytest.approx(fsum(one.predicted_reps for one in done), abs=0.001)
        totals.append(told.total_reps)
    assert totals[1] <= totals[0] + given_up + 0.002


@brisk
@given(documents())
def test_reasons_add_up_and_no_floor_is_undercut(document: Document) -> None:
    """Also where a block or a limit shifts the set: the sum is exact, the floor is the highest that applies."""
    for one in placed(answer(document)).values():
        assert sum(factors(one).values()) == target(one)
        least = replay.safety_floor(msgspec.to_builtins(one.context_used))
        assert one.prescription.reps_in_reserve.low >= least
        assert target(one) >= least


@brisk
@given(single.documents(), st.floats(-5, 5), st.floats(-5, 5))
def test_a_shift_further_away_never_brings_a_set_closer(document: Document, one: float, other: float) -> None:
    """What a plan asks of a set is a factor like others: exact in the sum, held by floors, rising."""
    near, far = sorted((one, other))
    found = []
    for shift in (near, far):
        told = single.answer(document | {"plan_shift_reps": shift})
        assert told.reps_in_reserve is not None
        assert sum(reason.effect_reps for reason in told.reasons) == told.reps_in_reserve.target
        assert told.reps_in_reserve.low >= replay.safety_floor(document)
        found.append(told.reps_in_reserve.target)
    assert found[0] <= found[1]


def shuffled(value: Any, data: st.DataObject) -> Any:
    """Return the same document with the members of every object in another order."""
    if isinstance(value, dict):
        names = data.draw(st.permutations(list(value)))
        return {name: shuffled(value[name], data) for name in names}
    return [shuffled(entry, data) for entry in value] if isinstance(value, list) else value


@few
@given(documents(most_sessions=2), st.data())
def test_the_same_plan_gives_the_same_bytes(document: Document, data: st.DataObject) -> None:
    """Twice, and with the members of its objects in any order."""
    first = encoded(answer(document, "full"))
    assert encoded(answer(document, "full")) == first
    assert encoded(answer(shuffled(document, data), "full")) == first
