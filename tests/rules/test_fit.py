"""Load against reps: `expected` is the curve's, a conflict is named, and each way out has none."""

from math import floor
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.answer import Prescription
from tests.rules.contexts import POLICY, Document, answer, documents, percents, steady, thorough

CAPACITY = POLICY.data.capacity


def _family(document: Document) -> float:
    exercise = document.get("exercise")
    name = "general" if exercise is None else POLICY.data.families_by_exercise[exercise]
    return CAPACITY.families[name].scale


def mean_reps(document: Document) -> float:
    """Reps to failure of the mean lifter: 1 + a (1/p - 1)^b, p never below the policy's lowest."""
    percent = max(document["load_percent_1rm"], CAPACITY.lowest_percent)
    return float(1 + CAPACITY.scale * _family(document) * (100 / percent - 1) ** CAPACITY.exponent)


@st.composite
def loaded(draw: st.DrawFn) -> Document:
    """A context with a load: any, or one that leaves between 0 and 12 reps after the rep target."""
    document = draw(documents())
    left = draw(st.none() | st.floats(0, 12))
    if left is None:
        return document | {"load_percent_1rm": draw(percents)}
    beyond_first = document["rep_target"] - 1 + left
    percent = 100 / (1 + (beyond_first / (CAPACITY.scale * _family(document))) ** (1 / CAPACITY.exponent))
    return document | {"load_percent_1rm": percent}


def _conflict(document: Document, found: Prescription) -> str | None:
    assert found.reps_in_reserve is not None
    left = mean_reps(document) - document["rep_target"]
    if left < found.reps_in_reserve.low:
        return "too_heavy"
    return "too_light" if left > found.reps_in_reserve.high + 2 else None


@thorough
@given(loaded())
def test_expected_follows_the_curve(document: Document) -> None:
    """Mean to 3 decimals, reps at target rounded down, chance from the unrounded normal distribution."""
    found = answer(document)
    reserve, expected = found.reps_in_reserve, found.expected
    assert reserve is not None
    assert expected is not None
    mean = mean_reps(document)
    assert expected.reps_to_failure.mean == pytest.approx(mean, abs=0.0006)
    assert expected.reps_at_target in {max(0, floor(mean - reserve.target + e)) for e in (-1e-9, 0, 1e-9)}
    # the spread comes rounded: at a tiny spread that limits how well the chance can be checked
    spread = NormalDist(mean, expected.reps_to_failure.sd)
    chance = spread.cdf(document["rep_target"] + reserve.low)
    assert expected.chance_short == pytest.approx(chance, abs=0.0015)


@thorough
@given(loaded())
def test_conflict_is_named_exactly_when_load_and_reps_cannot_hold(document: Document) -> None:
    """too_heavy when less than low is left, too_light when more than high + 2 is left, else null."""
    found = answer(document)
    assert found.expected is not None
    assert found.expected.conflict == _conflict(document, found)


@thorough
@given(loaded())
def test_adjustments_come_with_a_conflict_and_only_then(document: Document) -> None:
    """Conflict null <=> no adjustments; otherwise keep-reps always, keep-load at most once."""
    found = answer(document)
    assert found.expected is not None
    kept = [adjustment.keep for adjustment in found.adjustments]
    assert (found.expected.conflict is None) == (kept == [])
    if kept:
        assert sorted(kept) in (["load", "reps"], ["reps"])


@thorough
@given(loaded())
def test_each_adjustment_sent_back_has_no_conflict(document: Document) -> None:
    """Applied with everything else equal, an adjustment resolves the conflict."""
    for adjustment in answer(document).adjustments:
        if adjustment.keep == "load":
            assert adjustment.load_percent_1rm is None
            again = answer(document | {"rep_target": adjustment.rep_target})
        else:
            assert adjustment.rep_target is None
            again = answer(document | {"load_percent_1rm": adjustment.load_percent_1rm})
        assert again.expected is not None
        assert again.expected.conflict is None
        assert again.adjustments == ()


@steady
@given(loaded())
def test_keep_load_is_offered_wherever_some_number_of_reps_fits(document: Document) -> None:
    """If any rep target from 1 to 50 agrees with the load, keeping the load is among the ways out."""
    found = answer(document)
    if not found.adjustments:
        return
    fitting = False
    for rep_target in range(1, 51):
        expected = answer(document | {"rep_target": rep_target}).expected
        fitting = fitting or (expected is not None and expected.conflict is None)
    assert ("load" in {adjustment.keep for adjustment in found.adjustments}) == fitting


@steady
@given(documents(load_percent_1rm=None))
def test_without_a_load_nothing_is_expected(document: Document) -> None:
    """No load: `expected` null and no adjustments."""
    found = answer(document)
    assert found.expected is None
    assert found.adjustments == ()


@pytest.mark.parametrize(
    ("document", "conflict"),
    [
        ({"rep_target": 12, "load_percent_1rm": 90}, "too_heavy"),
        ({"rep_target": 1, "load_percent_1rm": 100}, "too_heavy"),
        ({"rep_target": 5, "load_percent_1rm": 50}, "too_light"),
        ({"rep_target": 50, "load_percent_1rm": 10}, "too_light"),
        ({"rep_target": 8, "load_percent_1rm": 75}, None),
        ({"rep_target": 8, "load_percent_1rm": 71}, None),
        ({"rep_target": 8, "load_percent_1rm": 70}, "too_light"),
    ],
)
def test_plain_conflicts(document: Document, conflict: str | None) -> None:
    """Twelve at 90 % is too heavy, five at half is too light, eight holds from 71 to 75 %, not at 70."""
    found = answer(document)
    assert found.expected is not None
    assert found.expected.conflict == conflict


@steady
@given(st.integers(1, 20), st.floats(40, 95))
def test_a_heavier_load_is_never_less_likely_to_fall_short(rep_target: int, load: float) -> None:
    """At the same rep target, five percent more load never lowers the chance of falling short."""
    light, heavy = ({"rep_target": rep_target, "load_percent_1rm": percent} for percent in (load, load + 5))
    lighter, heavier = answer(light), answer(heavy)
    assert lighter.expected is not None
    assert heavier.expected is not None
    assert heavier.expected.chance_short >= lighter.expected.chance_short
