"""`what_would_change_it`: each entry is true, near, and none that matters is missing."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.answer import Change
from tests.rules import replay
from tests.rules.contexts import (
    EXPERIENCES,
    GOALS,
    UNDER_BAR,
    Document,
    answer,
    brisk,
    documents,
    steady,
    target,
)

# The whole-number steps of each field's range that a reader would try, ascending; levels in their order.
TRIED: dict[str, tuple[Any, ...]] = {
    "experience": EXPERIENCES,
    "goal": GOALS,
    "exposures": tuple(range(5)),
    "exercise_order": tuple(range(1, 31)),
    "later_overlapping_sets": tuple(range(7)),
    "hours_since_muscle_trained": tuple(range(50)),
    "hours_until_muscle_trained": tuple(range(50)),
    "failure_share_7d": (0, 0.25, 0.5, 0.75, 1),
    "deload": (False, True),
    "spotter": (False, True),
    "safety_arms": (False, True),
    "rep_target": tuple(range(1, 51)),
}
NEUTRAL = {
    "experience": "intermediate",
    "goal": "hypertrophy",
    "exposures": 4,
    "hours_since_muscle_trained": 72,
    "hours_until_muscle_trained": 72,
    "failure_share_7d": 0,
    "deload": False,
    "spotter": False,
    "safety_arms": False,
}
RANGES = {
    "exposures": (0, 10_000),
    "exercise_order": (1, 30),
    "later_overlapping_sets": (0, 100),
    "hours_since_muscle_trained": (0, 10_000),
    "hours_until_muscle_trained": (0, 10_000),
    "failure_share_7d": (0, 1),
    "rep_target": (1, 50),
}
NUMERIC = tuple(RANGES)


def _options(document: Document, field: str) -> list[Any]:
    """Values of `field` that are valid beside the rest of the document."""
    count = document.get("exercises_in_session") or 30
    return [value for value in TRIED[field] if field != "exercise_order" or value <= count]


def _present(document: Document, field: str) -> Any:
    sent = document.get(field)
    return NEUTRAL.get(field) if sent is None else sent


def _moving(document: Document, field: str) -> dict[Any, float]:
    """Tried values that move the target by half a rep or more, with the target each gives."""
    now = target(document)
    moved = {value: target(document | {field: value}) for value in _options(document, field)}
    return {value: there for value, there in moved.items() if abs(there - now) >= 0.5}


def _by_field(document: Document) -> dict[str, Change]:
    found = answer(document).what_would_change_it
    assert len({change.field for change in found}) == len(found), "at most one per field"
    return {change.field: change for change in found}


@steady
@given(documents())
def test_each_change_gives_exactly_the_target_it_states(document: Document) -> None:
    """Applied with everything else equal, an entry gives its target, half a rep or more from now."""
    now = target(document)
    for change in answer(document).what_would_change_it:
        there = answer(document | {change.field: change.value})
        assert there.decision == "prescribe"
        assert there.reps_in_reserve is not None
        assert there.reps_in_reserve.target == change.target
        assert abs(change.target - now) >= 0.5


@steady
@given(documents())
def test_at_most_one_change_per_field_and_each_a_new_value_in_range(document: Document) -> None:
    """Entries name tried fields, values inside the field's range, and never the value that is there."""
    for field, change in _by_field(document).items():
        assert field in TRIED
        assert change.value != _present(document, field)
        if field in RANGES:
            low, high = RANGES[field]
            assert isinstance(change.value, int | float)
            assert low <= change.value <= high
        else:
            assert change.value in TRIED[field]


@brisk
@given(documents())
def test_no_nearer_whole_step_would_do(document: Document) -> None:
    """Of a numeric field that was sent, no tried value strictly nearer moves the target."""
    found = _by_field(document)
    for field in NUMERIC:
        now = _present(document, field)
        if field in found and now is not None:
            value = found[field].value
            assert isinstance(value, int | float)
            away = abs(value - now)
            nearer = [value for value in _moving(document, field) if abs(value - now) < away]
            assert nearer == [], field


@pytest.mark.parametrize("field", [f for f in TRIED if f not in ("spotter", "safety_arms")])
@brisk
@given(document=documents())
def test_a_field_that_could_move_the_target_is_listed(field: str, document: Document) -> None:
    """If any tried value moves the target, the field has an entry; if it has none, none does."""
    moving = _moving(document, field)
    if moving:
        assert field in _by_field(document), f"{field} would move it: {moving}"


@pytest.mark.parametrize("field", ["spotter", "safety_arms"])
@brisk
@given(document=documents(), exercise=st.sampled_from(UNDER_BAR))
def test_help_under_a_bar_is_listed_where_it_counts(field: str, document: Document, exercise: str) -> None:
    """Spotter and arms are listed exactly where they move the target."""
    pressed = {k: v for k, v in document.items() if k != "exercise_traits"} | {"exercise": exercise}
    assert (field in _by_field(pressed)) == bool(_moving(pressed, field))


@steady
@given(documents())
def test_help_is_not_listed_off_the_bar(document: Document) -> None:
    """Where nothing can pin the lifter, a spotter changes nothing and is not offered."""
    if not replay.is_under_bar(document):
        assert not {"spotter", "safety_arms"} & _by_field(document).keys()


def test_an_unknown_place_lists_the_first_place() -> None:
    """Nothing said about the order: being first would move the target, so it is listed."""
    assert target({"rep_target": 8, "exercise_order": 1}) != target({"rep_target": 8})
    assert _by_field({"rep_target": 8})["exercise_order"].value == 1


def test_an_early_exercise_with_unknown_overlap_lists_no_overlap() -> None:
    """Early and nothing said about later sets: none to come would move the target, so it is listed."""
    early = {"rep_target": 8, "exercise_order": 1, "exercises_in_session": 5}
    assert target(early | {"later_overlapping_sets": 0}) != target(early)
    assert _by_field(early)["later_overlapping_sets"].value == 0
