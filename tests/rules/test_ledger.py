"""The ledger: every step is told, steps follow the contract's order, and they add up to the target."""

from math import fsum
from random import Random

from hypothesis import given

from service.rules.policy import PolicyData
from tests.rules import replay
from tests.rules.contexts import POLICY, Document, answer, brisk, documents, effects, thorough

DATA: PolicyData = POLICY.data


@thorough
@given(documents())
def test_effects_add_up_to_exactly_the_target(document: Document) -> None:
    """The plain sum of all effects is the target to the last bit, in any order."""
    found = answer(document)
    assert found.reps_in_reserve is not None
    parts = [reason.effect_reps for reason in found.reasons]
    shuffled = Random(0).sample(parts, len(parts))
    assert sum(parts) == found.reps_in_reserve.target
    assert sum(shuffled) == found.reps_in_reserve.target
    assert fsum(parts) == found.reps_in_reserve.target


@thorough
@given(documents())
def test_target_is_a_half_rep_and_never_below_failure(document: Document) -> None:
    """Targets are whole half reps from 0 up, and low <= target <= high."""
    reserve = answer(document).reps_in_reserve
    assert reserve is not None
    assert (reserve.target * 2) % 1 == 0
    assert 0 <= reserve.low <= reserve.target <= reserve.high


@thorough
@given(documents())
def test_range_follows_the_formula(document: Document) -> None:
    """Both ends, low and high, are those of the contract's range formula."""
    found = answer(document)
    reserve = found.reps_in_reserve
    assert reserve is not None
    wanted = replay.reserve_range(document, effects(found), reserve.target)
    assert (reserve.low, reserve.high) == wanted


@thorough
@given(documents())
def test_steps_stand_in_the_order_they_were_taken(document: Document) -> None:
    """Base first, then factors, limit, window, goal, deload, floor, rounding; each at most once."""
    names = list(effects(answer(document)))
    assert names == sorted(names, key=replay.LEDGER_ORDER.index)
    assert names[0] == "base"


@thorough
@given(documents())
def test_every_step_after_the_sum_is_the_one_the_contract_prescribes(document: Document) -> None:
    """Window, goal, deload, floor and rounding replayed from the effects before them."""
    found = answer(document)
    told = effects(found)
    value = fsum(told.get(name, 0.0) for name in replay.LEDGER_ORDER[:10])
    low, high = replay.window(document)
    assert told.get("rep_band_window", 0.0) == min(max(value, low), high) - value
    value = min(max(value, low), high)
    goal = {"strength": 1.0, "power": 2.0, "local_endurance": max(-0.5, -value)}
    assert told.get("goal", 0.0) == goal.get(document.get("goal") or "hypertrophy", 0.0)
    assert told.get("deload", 0.0) == (2.0 if document.get("deload") else 0.0)
    value += replay.shifts(told)
    least = replay.safety_floor(document)
    assert told.get("safety_floor", 0.0) == max(value, least) - value
    value = max(value, least)
    assert told.get("rounding", 0.0) == replay.rounded(value) - value
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.target == replay.rounded(value)


@thorough
@given(documents())
def test_discounts_take_at_most_half_a_rep_off_the_reasons_to_stay_away(document: Document) -> None:
    """With a stay-away factor active, discounts leave at least base + stay-away - 0.5 (or touch nothing)."""
    told = effects(answer(document))
    stay_away = fsum(max(told.get(name, 0.0), 0.0) for name in replay.STAY_AWAY)
    discounts = fsum(min(told.get(name, 0.0), 0.0) for name in replay.DISCOUNTS)
    given_back = told.get("discount_limit", 0.0)
    total = fsum(told.get(name, 0.0) for name in replay.LEDGER_ORDER[:9])
    if not stay_away and not document.get("cautions"):
        assert given_back == 0
        return
    without_discounts = total - discounts
    line = min(told["base"] + stay_away - 0.5, without_discounts)
    assert total + given_back >= line
    assert given_back == max(0.0, line - total), "gives back what is needed and no more"


@thorough
@given(documents())
def test_a_reason_without_effect_only_names_a_floor_that_holds_target_or_low(document: Document) -> None:
    """An effect of 0 is left out unless its window or floor holds the target or the low end."""
    found = answer(document)
    reserve = found.reps_in_reserve
    assert reserve is not None
    idle = [reason.factor for reason in found.reasons if reason.effect_reps == 0]
    assert set(idle) <= {"rep_band_window", "safety_floor"}
    least = replay.safety_floor(document)
    if "safety_floor" in idle:
        assert least in (reserve.low, reserve.target)
    if "rep_band_window" in idle:
        assert reserve.target in replay.window(document) or reserve.low in replay.window(document)
    low_alone, _ = replay.reserve_range(
        {"rep_target": document["rep_target"]}, effects(found), reserve.target
    )
    if least > low_alone:
        assert "safety_floor" in effects(found), "the floor that holds low is named"


@thorough
@given(documents())
def test_rpe_is_ten_minus_reserve_and_crossed(document: Document) -> None:
    """RPE = 10 - RIR up to 5 and null above; RPE low belongs to RIR high (Zourdos 2016)."""
    found = answer(document)
    reserve, rpe = found.reps_in_reserve, found.rpe
    assert reserve is not None
    assert rpe is not None
    for shown, left in ((rpe.target, reserve.target), (rpe.low, reserve.high), (rpe.high, reserve.low)):
        assert shown == (10 - left if left <= 5 else None)


@brisk
@given(documents())
def test_texts_fit_and_every_reason_can_be_looked_up(document: Document) -> None:
    """Reason texts are filled in, at most 140 characters, and their evidence keys are in the register."""
    for reason in answer(document).reasons:
        assert 0 < len(reason.text) <= 140
        assert "{" not in reason.text
        assert set(reason.evidence) <= DATA.evidence.keys()
        assert reason.evidence or reason.grade in ("judgement", "common_practice")


def test_rpe_of_half_a_rep_is_nine_and_a_half() -> None:
    """A target of 0.5 is shown as RPE 9.5 (Zourdos 2016)."""
    context = {"rep_target": 30, "exercise_order": 3, "exercises_in_session": 5}
    found = answer(context)
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.target == 0.5
    assert found.rpe is not None
    assert found.rpe.target == 9.5


def test_rpe_above_five_in_reserve_is_not_invented() -> None:
    """Beyond 5 in reserve the scale has no number (Zourdos 2016)."""
    found = answer({"rep_target": 3, "goal": "power", "deload": True})
    assert found.reps_in_reserve is not None
    assert found.reps_in_reserve.target > 5
    assert found.rpe is not None
    assert found.rpe.target is None
    assert found.rpe.low is None
