"""The check values the trade expects, row by row. Hypertrophy, no cautions, unless a row says otherwise."""

from itertools import product

import pytest

from tests.rules.contexts import EQUIPMENTS, EXPERIENCES, Document, answer, effects, target

FIRST = {"exercise_order": 1, "exercises_in_session": 5}
LAST = {"exercise_order": 5, "exercises_in_session": 5}
STAY_AWAY = {**FIRST, "experience": "novice", "exposures": 0}
GO_CLOSE = {**LAST, "experience": "advanced", "exposures": 12}
LOADS = (None, 30, 50, 60, 70, 72.5, 80, 90, 100)


@pytest.mark.parametrize("rep_target", range(1, 10))
@pytest.mark.parametrize("count", [2, 3, 5, 12, 30])
def test_row_1_short_first_exercise_novice_new_stays_3_to_4_away(rep_target: int, count: int) -> None:
    """Below 10 reps, first of several, novice, 0 exposures: 3 to 4. Common practice."""
    context = {"rep_target": rep_target, **STAY_AWAY, "exercises_in_session": count}
    for load in LOADS:
        reserve = answer(context | {"load_percent_1rm": load}).reps_in_reserve
        assert reserve is not None
        assert 3 <= reserve.target <= 4, load
        assert reserve.high <= 4, load


@pytest.mark.parametrize("rep_target", range(1, 10))
@pytest.mark.parametrize("hours", [0, 12, 35.9])
def test_row_1_holds_on_a_consecutive_day(rep_target: int, hours: float) -> None:
    """The first corner keeps its 3 to 4 when the muscle was trained the day before. Common practice."""
    assert 3 <= target({"rep_target": rep_target, **STAY_AWAY, "hours_since_muscle_trained": hours}) <= 4


def test_row_1_reads_3_to_4() -> None:
    """The range rule makes the first corner read 3-4. Common practice."""
    reserve = answer({"rep_target": 8, **STAY_AWAY}).reps_in_reserve
    assert reserve is not None
    assert (reserve.low, reserve.high) == (3, 4)


@pytest.mark.parametrize("rep_target", range(11, 51))
@pytest.mark.parametrize("load", LOADS)
def test_row_2_long_last_exercise_advanced_accustomed_goes_0_to_1(
    rep_target: int, load: float | None
) -> None:
    """Above 10 reps, last exercise, advanced, accustomed: 0 to 1. Common practice."""
    assert 0 <= target({"rep_target": rep_target, **GO_CLOSE, "load_percent_1rm": load}) <= 1


@pytest.mark.parametrize("rep_target", range(13, 21))
def test_row_3_13_to_20_reps_stay_0_to_2_whatever_else(rep_target: int) -> None:
    """13-20 reps: 0 to 2 whatever the other factors, and no more than 2 is shown. Common practice."""
    options = product(
        EXPERIENCES,
        ({}, FIRST, LAST, {**FIRST, "later_overlapping_sets": 9}),
        ({"exposures": 1}, {"exposures": 4}, {"exposures": 4, "days_since_last_exposure": 150}),
        ({}, {"hours_since_muscle_trained": 20}, {"hours_until_muscle_trained": 10}),
        ({}, {"failure_share_7d": 1}),
        ({}, {"load_percent_1rm": 90}, {"set_order": 1, "sets_in_exercise": 1}),
    )
    for experience, *rest in options:
        context: Document = {"rep_target": rep_target, "experience": experience}
        for part in rest:
            context |= part
        reserve = answer(context).reps_in_reserve
        assert reserve is not None
        assert 0 <= reserve.target <= 2, context
        assert reserve.high <= 2, context


@pytest.mark.parametrize("rep_target", range(13, 21))
def test_row_3_only_a_new_exercise_or_a_floor_lifts_13_to_20_reps_and_says_so(rep_target: int) -> None:
    """A new exercise may lift 13-20 reps to 3, a safety floor to 3; the reason is named. Common practice."""
    new = answer({"rep_target": rep_target, **STAY_AWAY, "hours_since_muscle_trained": 10})
    assert new.reps_in_reserve is not None
    assert 2 < new.reps_in_reserve.target <= 3
    assert "exposures" in effects(new)
    floored = answer({"rep_target": rep_target, "cautions": ["pregnancy"]})
    assert floored.reps_in_reserve is not None
    assert floored.reps_in_reserve.target == 3
    assert effects(floored)["safety_floor"] > 0


@pytest.mark.parametrize("rep_target", range(6, 13))
@pytest.mark.parametrize("load", LOADS)
def test_row_4_neutral_6_to_12_reps_stop_1_to_2_5_short(rep_target: int, load: float | None) -> None:
    """6-12 reps, all neutral: 1 to 2.5, a few reps short costs nothing. Lasevicius 2022, Refalo 2024."""
    assert 1 <= target({"rep_target": rep_target, "load_percent_1rm": load}) <= 2.5


@pytest.mark.parametrize("field", ["hours_since_muscle_trained", "hours_until_muscle_trained"])
@pytest.mark.parametrize("hours", [0, 1, 12, 24, 35.99])
def test_row_5_within_36_hours_recovery_adds_half_to_one_rep(field: str, hours: float) -> None:
    """Same muscle trained < 36 h ago or again within 36 h: +0.5 to +1. Common practice."""
    for rep_target in range(1, 51):
        assert 0.5 <= effects(answer({"rep_target": rep_target, field: hours}))["recovery"] <= 1


@pytest.mark.parametrize("field", ["hours_since_muscle_trained", "hours_until_muscle_trained"])
@pytest.mark.parametrize("hours", [48, 48.0001, 72, 500, 10_000])
def test_row_5_from_48_hours_recovery_is_exactly_nothing(field: str, hours: float) -> None:
    """From 48 h on the recovery effect is exactly 0: the ledger equals that of no training at all."""
    for rep_target in (1, 5, 8, 12, 15, 30):
        assert answer({"rep_target": rep_target, field: hours}).reasons == (
            answer({"rep_target": rep_target}).reasons
        )


@pytest.mark.parametrize("rep_target", range(1, 13))
def test_row_6_an_early_exercise_with_overlap_to_come_stays_further_away(rep_target: int) -> None:
    """Early with later sets of the same muscles: further away than with no overlap. Common practice."""
    context = {"rep_target": rep_target, **FIRST}
    overlap = answer(context | {"later_overlapping_sets": 5})
    alone = answer(context | {"later_overlapping_sets": 0})
    assert overlap.reps_in_reserve is not None
    assert alone.reps_in_reserve is not None
    assert overlap.reps_in_reserve.target > alone.reps_in_reserve.target
    assert "later_overlapping_sets" not in effects(alone)
    assert "exercise_order" not in effects(alone)


@pytest.mark.parametrize("rep_target", range(1, 51))
def test_row_7_strength_is_never_below_hypertrophy(rep_target: int) -> None:
    """Strength goal: never below the hypertrophy target in the same context. Robinson 2024."""
    for experience, place, equipment in product(EXPERIENCES, (FIRST, LAST), (None, *EQUIPMENTS)):
        context = {
            "rep_target": rep_target,
            "experience": experience,
            **place,
            "exercise_traits": {"joints": "single", "equipment": equipment},
            "set_order": 3,
            "sets_in_exercise": 3,
        }
        assert target(context | {"goal": "strength"}) >= target(context | {"goal": "hypertrophy"})


@pytest.mark.parametrize("rep_target", range(1, 51))
def test_row_8_a_deload_adds_two_and_lifts_the_ceiling(rep_target: int) -> None:
    """Deload: +2 even where the band's window is full already. Common practice."""
    full = {"rep_target": rep_target, **STAY_AWAY, "failure_share_7d": 1, "hours_since_muscle_trained": 1}
    for context in ({"rep_target": rep_target}, full):
        eased = answer(context | {"deload": True})
        assert effects(eased)["deload"] == 2
        assert eased.reps_in_reserve is not None
        assert eased.reps_in_reserve.target == target(context) + 2


def test_row_8_a_deload_cuts_sets_and_does_not_stop() -> None:
    """Deload: the lifter is told to do fewer sets and to keep training. Common practice."""
    eased = answer({"rep_target": 8, "deload": True})
    assert eased.decision == "prescribe"
    text = next(reason.text for reason in eased.reasons if reason.factor == "deload")
    assert "fewer sets" in text
    assert "keep training" in text
