"""Safety floors: never undercut by the target, the low end, or what the lifter is told to say."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.rules import replay
from tests.rules.contexts import (
    CAUTIONS,
    UNDER_BAR,
    Document,
    answer,
    biases,
    documents,
    effects,
    steady,
    target,
    thorough,
)

# The closest a context can come on its own: 0 in reserve.
CLOSEST = {
    "rep_target": 30,
    "exercise_order": 5,
    "exercises_in_session": 5,
    "experience": "advanced",
    "set_order": 3,
    "sets_in_exercise": 3,
    "exercise_traits": {"joints": "single"},
}


@thorough
@given(documents())
def test_a_floor_is_never_undercut(document: Document) -> None:
    """Target, low end and reported reserve all respect the highest floor that applies."""
    found = answer(document)
    least = replay.safety_floor(document)
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.target >= least
    assert found.reps_in_reserve.low >= least
    if found.reported_reps_in_reserve is not None:
        assert found.reported_reps_in_reserve >= least


@pytest.mark.parametrize("code", CAUTIONS)
def test_each_caution_lifts_the_closest_context_to_its_floor(code: str) -> None:
    """Floors by caution as the contract lists them, and the reason names the cause."""
    assert target(CLOSEST) == 0
    found = answer(CLOSEST | {"cautions": [code]})
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.target == replay.CAUTION_FLOORS[code]
    reason = next(reason for reason in found.reasons if reason.factor == "safety_floor")
    assert reason.input == {"cautions": [code]}


def test_the_highest_of_several_floors_wins() -> None:
    """Any two cautions give the higher of their floors, whichever is named first."""
    for one, other in combinations(CAUTIONS, 2):
        wanted = max(replay.CAUTION_FLOORS[one], replay.CAUTION_FLOORS[other])
        assert target(CLOSEST | {"cautions": [one, other]}) == wanted
        assert target(CLOSEST | {"cautions": [other, one]}) == wanted


@pytest.mark.parametrize("code", CAUTIONS)
@pytest.mark.parametrize("goal", ["hypertrophy", "strength", "power", "local_endurance"])
@pytest.mark.parametrize("rep_target", [4, 6, 7, 20])
@pytest.mark.parametrize("helped", [True, False])
def test_the_highest_of_caution_goal_and_bar_wins(
    code: str, goal: str, rep_target: int, helped: bool
) -> None:
    """Floors of a caution, a goal and an unspotted bar meet: the highest holds target and low end."""
    close = {**CLOSEST, "exercise_traits": {"joints": "single", "under_bar": True}, "goal": goal}
    found = answer(close | {"rep_target": rep_target, "cautions": [code], "spotter": helped})
    bar = 0 if helped else 3 if rep_target <= 6 else 2
    least = max(replay.CAUTION_FLOORS[code], replay.GOAL_FLOORS.get(goal, 0), bar)
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.target >= least
    assert found.reps_in_reserve.low >= least
    assert "safety_floor" in effects(found) or found.reps_in_reserve.target > least


@pytest.mark.parametrize("exercise", UNDER_BAR)
@pytest.mark.parametrize("rep_target", [1, 6, 7, 12, 50])
def test_under_a_bar_without_help_keeps_two_and_three_on_short_sets(exercise: str, rep_target: int) -> None:
    """No spotter and no arms, or no word of them: 2 in reserve, 3 at 6 reps or fewer."""
    least = 3 if rep_target <= 6 else 2
    close = {"rep_target": rep_target, "exercise": exercise, "exercise_order": 5, "exercises_in_session": 5}
    for helpers in ({}, {"spotter": False}, {"safety_arms": False}, {"spotter": False, "safety_arms": False}):
        found = answer(close | helpers)
        assert found.reps_in_reserve is not None
        assert found.reps_in_reserve.low >= least
        assert "under_bar_unspotted" in {note.code for note in found.cautions}
    for helpers in ({"spotter": True}, {"safety_arms": True}, {"spotter": False, "safety_arms": True}):
        found = answer(close | helpers)
        assert found.reps_in_reserve is not None
        assert found.reps_in_reserve.low < least
        assert "under_bar_unspotted" not in {note.code for note in found.cautions}


@pytest.mark.parametrize(("goal", "least"), [("strength", 1), ("power", 3)])
def test_strength_keeps_one_and_power_three(goal: str, least: int) -> None:
    """Goal floors hold the low end even where the sum would go closer."""
    found = answer(CLOSEST | {"goal": goal})
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.low >= least
    assert found.reps_in_reserve.target >= least


@pytest.mark.parametrize("code", ["pregnancy", "first_session", "hypertension_not_controlled"])
def test_light_sets_are_no_safe_harbour(code: str) -> None:
    """A light long set keeps the floor too: pressure follows effort (GOM10, judgement in size)."""
    assert target({"rep_target": 25, "load_percent_1rm": 30, "cautions": [code]}) == 3


@steady
@given(documents(), biases)
def test_a_reporting_bias_never_moves_the_target(document: Document, bias: dict[str, float]) -> None:
    """Only `reported_reps_in_reserve` knows of the bias."""
    free = {name: value for name, value in document.items() if name != "reporting_bias"}
    without, known = answer(free), answer(free | {"reporting_bias": bias})
    assert without.reported_reps_in_reserve is None
    assert known.reported_reps_in_reserve is not None
    for member in without.__struct_fields__:
        if member != "reported_reps_in_reserve":
            assert getattr(known, member) == getattr(without, member)


@steady
@given(documents(), biases)
def test_reported_reserve_is_target_minus_bias_to_the_half_rep(
    document: Document, bias: dict[str, float]
) -> None:
    """Target minus mean bias, rounded away from failure, never below 0 or the floor in force."""
    found = answer(document | {"reporting_bias": bias})
    assert found.reps_in_reserve is not None
    said = replay.rounded(found.reps_in_reserve.target - bias["mean_reps"])
    assert found.reported_reps_in_reserve == max(0.0, said, replay.safety_floor(document))


@steady
@given(st.integers(13, 50), st.sampled_from(CAUTIONS))
def test_a_floor_lifts_a_long_set_above_its_window_and_says_so(rep_target: int, code: str) -> None:
    """Where a floor lies above the band's window the range is floor to floor, with its reason."""
    found = answer({"rep_target": rep_target, "cautions": [code]})
    least = replay.CAUTION_FLOORS[code]
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.low == least
    assert found.reps_in_reserve.high == max(2.0, least)
    assert effects(found)["safety_floor"] > 0


def test_warning_signs_withhold_whatever_else_is_sent() -> None:
    """No target, RPE, cue or adjustment; the cause with effect 0; a critical caution."""
    for others in ([], ["pregnancy"], ["first_session", "age_65_or_over"]):
        for codes in (["warning_signs", *others], [*others, "warning_signs"]):
            found = answer({"rep_target": 8, "load_percent_1rm": 95, "cautions": codes})
            assert found.decision == "withhold"
            assert found.reps_in_reserve is None
            assert found.rpe is None
            assert found.reported_reps_in_reserve is None
            assert found.adjustments == ()
            assert found.what_would_change_it == ()
            assert [reason.effect_reps for reason in found.reasons] == [0]
            assert found.reasons[0].input == {"cautions": ["warning_signs"]}
            severity = {note.code: note.severity for note in found.cautions}
            assert severity["warning_signs"] == "critical"
            assert {*codes, "general_limits"} <= severity.keys()


def test_a_bias_does_not_open_a_withheld_answer() -> None:
    """With warning signs nothing is said about what to report either."""
    bias = {"mean_reps": -2, "sd_reps": 1}
    found = answer({"rep_target": 8, "cautions": ["warning_signs"], "reporting_bias": bias})
    assert found.reported_reps_in_reserve is None
