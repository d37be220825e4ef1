"""Monotone laws: changing one thing in the safer direction never lowers the target, nor its low end."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.prescribe import prescribe_brief
from tests.rules.contexts import (
    CAUTIONS,
    EXPERIENCES,
    POLICY,
    UNDER_BAR,
    Document,
    caution_lists,
    context_of,
    days,
    documents,
    exposures,
    hours,
    later_sets,
    percents,
    reps,
    shares,
    steady,
    target,
)

# field, its values, and which way is safer
NUMERIC = (
    ("rep_target", reps, "fewer"),
    ("load_percent_1rm", percents, "more"),
    ("exposures", exposures, "fewer"),
    ("days_since_last_exposure", days, "more"),
    ("later_overlapping_sets", later_sets, "more"),
    ("hours_since_muscle_trained", hours, "fewer"),
    ("hours_until_muscle_trained", hours, "fewer"),
    ("failure_share_7d", shares, "more"),
)


def _reserve(document: Document) -> tuple[float, float]:
    found = prescribe_brief(context_of(document), POLICY).reps_in_reserve
    assert found is not None
    return found.target, found.low


def never_lower(risky: Document, safe: Document) -> None:
    """The safer context stays at least as far from failure, in target and low end."""
    (target_before, low_before), (target_after, low_after) = _reserve(risky), _reserve(safe)
    assert target_after >= target_before
    assert low_after >= low_before


@pytest.mark.parametrize(("field", "values", "safer"), NUMERIC, ids=[row[0] for row in NUMERIC])
@steady
@given(data=st.data())
def test_moving_a_number_to_the_safer_side_never_lowers(
    field: str, values: st.SearchStrategy[float], safer: str, data: st.DataObject
) -> None:
    """Fewer reps, heavier, fewer exposures, longer absence, more to come, less recovery, more failure."""
    low, high = sorted(data.draw(st.tuples(values, values)))
    risky, safe = (high, low) if safer == "fewer" else (low, high)
    document = data.draw(documents())
    never_lower(document | {field: risky}, document | {field: safe})


@steady
@given(documents(), st.integers(0, 2), st.integers(0, 2))
def test_less_experience_never_lowers(document: Document, one: int, other: int) -> None:
    """Novice stays at least as far away as intermediate, intermediate as advanced, for every goal."""
    less, more = sorted((one, other))
    never_lower(document | {"experience": EXPERIENCES[more]}, document | {"experience": EXPERIENCES[less]})


@steady
@given(documents(), st.data())
def test_an_earlier_place_in_the_session_never_lowers(document: Document, data: st.DataObject) -> None:
    """With the same number of exercises, an earlier one stays at least as far away."""
    count = data.draw(st.none() | st.integers(1, 30))
    places = st.integers(1, count or 30)
    earlier, later = sorted(data.draw(st.tuples(places, places)))
    session = document | {"exercises_in_session": count}
    never_lower(session | {"exercise_order": later}, session | {"exercise_order": earlier})


@steady
@given(documents(), caution_lists, st.sampled_from(CAUTIONS))
def test_one_more_caution_never_lowers(document: Document, some: list[str], extra: str) -> None:
    """Adding a caution to any others never brings the lifter closer to failure."""
    fewer = [code for code in some if code != extra]
    never_lower(document | {"cautions": fewer}, document | {"cautions": [*fewer, extra]})
    never_lower(document | {"cautions": fewer}, document | {"cautions": [extra, *fewer]})


def _under_a_bar(document: Document, exercise: str) -> Document:
    return {k: v for k, v in document.items() if k != "exercise_traits"} | {"exercise": exercise}


@pytest.mark.parametrize("field", ["spotter", "safety_arms"])
@pytest.mark.parametrize("missing", [False, None])
@steady
@given(document=documents(), exercise=st.sampled_from(UNDER_BAR))
def test_no_help_under_a_bar_never_lowers(
    field: str, missing: bool | None, document: Document, exercise: str
) -> None:
    """Without (or without word of) a spotter or safety arms the target is never lower."""
    pressed = _under_a_bar(document, exercise)
    never_lower(pressed | {field: True}, pressed | {field: missing})


@steady
@given(documents())
def test_strength_is_never_closer_than_hypertrophy(document: Document) -> None:
    """Strength >= hypertrophy, and power >= strength, in the same context (Robinson 2024)."""
    never_lower(document | {"goal": "hypertrophy"}, document | {"goal": "strength"})
    never_lower(document | {"goal": "strength"}, document | {"goal": "power"})


@steady
@given(documents())
def test_local_endurance_is_never_further_than_hypertrophy(document: Document) -> None:
    """Endurance of the muscle goes at least as close as growth does."""
    never_lower(document | {"goal": "local_endurance"}, document | {"goal": "hypertrophy"})


@steady
@given(documents())
def test_a_deload_is_two_further_unless_a_floor_is_further_still(document: Document) -> None:
    """Deload adds exactly 2 to what the context gives without a safety floor."""
    free = {name: value for name, value in document.items() if name not in ("cautions", "goal")}
    free |= {"spotter": True}
    assert target(free | {"deload": True}) == target(free | {"deload": False}) + 2
    never_lower(document | {"deload": False}, document | {"deload": True})


@pytest.mark.parametrize("field", ["hours_since_muscle_trained", "hours_until_muscle_trained"])
@steady
@given(document=documents(), rested=st.floats(48, 10_000) | st.sampled_from((48, 72, 10_000)))
def test_48_hours_is_as_good_as_no_training_at_all(field: str, document: Document, rested: float) -> None:
    """From 48 h on the recovery effect is exactly 0: equal to leaving the hours out."""
    without = {name: value for name, value in document.items() if name != field}
    given_rest = prescribe_brief(context_of(without | {field: rested}), POLICY)
    left_out = prescribe_brief(context_of(without), POLICY)
    assert given_rest.reps_in_reserve == left_out.reps_in_reserve
    assert [(r.factor, r.effect_reps) for r in given_rest.reasons] == [
        (r.factor, r.effect_reps) for r in left_out.reasons
    ]


@steady
@given(documents(), st.floats(4, 10_000), st.floats(0, 56))
def test_four_exposures_within_eight_weeks_count_as_accustomed(
    document: Document, sessions: float, away: float
) -> None:
    """4 or more exposures, at most 56 days ago, give what leaving them out gives."""
    bare: dict[str, Any] = {
        name: value
        for name, value in document.items()
        if name not in ("exposures", "days_since_last_exposure")
    }
    used = prescribe_brief(
        context_of(bare | {"exposures": sessions, "days_since_last_exposure": away}), POLICY
    )
    assert used == prescribe_brief(context_of(bare), POLICY)


@steady
@given(documents(), exposures, st.floats(182, 10_000))
def test_half_a_year_away_makes_an_exercise_new_again(
    document: Document, sessions: float, away: float
) -> None:
    """After 182 days nothing is left of any number of exposures: the target is that of a new exercise."""
    lapsed = document | {"exposures": sessions, "days_since_last_exposure": away}
    new = document | {"exposures": 0, "days_since_last_exposure": 0}
    assert _reserve(lapsed) == _reserve(new)


@steady
@given(documents(), hours, hours)
def test_of_hours_before_and_after_the_nearer_counts_once(
    document: Document, before: float, after: float
) -> None:
    """Two near trainings cost no more than the nearer one alone."""
    both = document | {"hours_since_muscle_trained": before, "hours_until_muscle_trained": after}
    nearer = document | {
        "hours_since_muscle_trained": min(before, after),
        "hours_until_muscle_trained": None,
    }
    assert _reserve(both) == _reserve(nearer)
