"""What the types cannot see is refused, with every fault at its right place."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Fault, InputRefused
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from tests.rules.contexts import CAUTIONS, EXERCISES, POLICY, Document, brisk, context_of, documents

COUNTED = (("exercise_order", "exercises_in_session"), ("set_order", "sets_in_exercise"))


def faults(document: Document) -> dict[str, str]:
    """Detail by pointer of the refusal; both ways to an answer refuse alike."""
    context = context_of(document)
    with pytest.raises(InputRefused) as full:
        prescribe(context, POLICY)
    with pytest.raises(InputRefused) as brief:
        prescribe_brief(context, POLICY)
    assert brief.value.faults == full.value.faults
    assert all(isinstance(fault, Fault) and fault.where == "pointer" for fault in full.value.faults)
    return {fault.place: fault.detail for fault in full.value.faults}


@pytest.mark.parametrize(("order", "count"), COUNTED)
@brisk
@given(document=documents(), places=st.lists(st.integers(1, 30), min_size=2, max_size=2, unique=True))
def test_an_order_beyond_its_count_is_refused(
    order: str, count: str, document: Document, places: list[int]
) -> None:
    """An order above its count is a fault at the order, naming the count."""
    few, many = sorted(places)
    found = faults(document | {order: many, count: few})
    assert list(found) == [f"#/{order}"]
    assert count in found[f"#/{order}"]


def test_an_order_equal_to_its_count_is_fine() -> None:
    """The last of several is valid."""
    for order, count in COUNTED:
        prescribe(context_of({"rep_target": 8, order: 30, count: 30}), POLICY)


def test_exercise_and_traits_together_are_refused() -> None:
    """Either an exercise or its traits: the fault stands at the member the contract names first."""
    found = faults({"rep_target": 8, "exercise": EXERCISES[0], "exercise_traits": {"joints": "multi"}})
    assert list(found) == ["#/exercise"]
    assert "exercise_traits" in found["#/exercise"]


@pytest.mark.parametrize(
    ("wrong", "near"),
    [
        ("barbell_bench_pres", "barbell_bench_press"),
        ("bench_press_barbell", None),
        ("leg_pres", "leg_press"),
    ],
)
def test_an_unknown_exercise_names_near_matches(wrong: str, near: str | None) -> None:
    """A misspelt id is answered with ids of the catalogue that come near."""
    found = faults({"rep_target": 8, "exercise": wrong})
    assert list(found) == ["#/exercise"]
    named = [exercise for exercise in EXERCISES if exercise in found["#/exercise"]]
    assert named
    assert near is None or near in named


def test_an_exercise_like_no_other_is_refused_with_a_way_on() -> None:
    """With no near match the fault says where ids are listed."""
    assert "/v1/exercises" in faults({"rep_target": 8, "exercise": "zzzzzzzz9"})["#/exercise"]


def test_every_unknown_muscle_is_named() -> None:
    """Each unknown muscle of the traits is a fault at its own key."""
    muscles = {"wing": 1.0, "tail": 0.5, next(iter(POLICY.data.muscles)): 1.0}
    found = faults({"rep_target": 8, "exercise_traits": {"joints": "single", "muscles": muscles}})
    assert set(found) == {"#/exercise_traits/muscles/wing", "#/exercise_traits/muscles/tail"}


@brisk
@given(st.lists(st.sampled_from(CAUTIONS), min_size=2, max_size=8))
def test_each_repeated_caution_is_refused_at_its_repetition(codes: list[str]) -> None:
    """A caution said twice is a fault at each later place."""
    wanted = {f"#/cautions/{i}" for i, code in enumerate(codes) if code in codes[:i]}
    document = {"rep_target": 8, "cautions": codes}
    if wanted:
        assert set(faults(document)) == wanted
    else:
        prescribe(context_of(document), POLICY)


def test_all_faults_are_listed_at_once() -> None:
    """Everything the types cannot see comes in one refusal."""
    found = faults(
        {
            "rep_target": 8,
            "exercise": EXERCISES[0],
            "exercise_traits": {"joints": "multi", "muscles": {"wing": 1}},
            "exercise_order": 4,
            "exercises_in_session": 3,
            "set_order": 9,
            "sets_in_exercise": 2,
            "cautions": ["pregnancy", "under_18", "pregnancy"],
        }
    )
    assert set(found) == {
        "#/exercise",
        "#/exercise_traits/muscles/wing",
        "#/exercise_order",
        "#/set_order",
        "#/cautions/2",
    }
    assert all(found.values())


def test_an_unknown_exercise_beside_traits_is_both_faults() -> None:
    """Sent together and unknown: both are told."""
    context = context_of({"rep_target": 8, "exercise": "nope_x", "exercise_traits": {"joints": "multi"}})
    with pytest.raises(InputRefused) as refused:
        prescribe(context, POLICY)
    assert [fault.place for fault in refused.value.faults] == ["#/exercise", "#/exercise"]


def test_a_withheld_context_is_checked_all_the_same() -> None:
    """Warning signs do not hide other faults."""
    found = faults(
        {"rep_target": 8, "cautions": ["warning_signs"], "exercise_order": 2, "exercises_in_session": 1}
    )
    assert list(found) == ["#/exercise_order"]


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("rep_target", 0),
        ("rep_target", 51),
        ("rep_target", 8.5),
        ("rep_target", "8"),
        ("rep_target", True),
        ("load_percent_1rm", 0),
        ("load_percent_1rm", 100.1),
        ("load_percent_1rm", float("nan")),
        ("load_percent_1rm", float("inf")),
        ("exercise_order", 0),
        ("exercises_in_session", 31),
        ("set_order", 31),
        ("sets_in_exercise", 0),
        ("later_overlapping_sets", -0.5),
        ("later_overlapping_sets", 100.5),
        ("experience", "expert"),
        ("exposures", -1),
        ("exposures", 10_001),
        ("exposures", float("nan")),
        ("days_since_last_exposure", -1),
        ("goal", "size"),
        ("hours_since_muscle_trained", -0.1),
        ("hours_until_muscle_trained", 10_000.5),
        ("failure_share_7d", 1.01),
        ("failure_share_7d", float("nan")),
        ("deload", 1),
        ("spotter", "true"),
        ("cautions", ["tired"]),
        ("reporting_bias", {"mean_reps": 6, "sd_reps": 1}),
        ("reporting_bias", {"mean_reps": 1}),
        ("reporting_bias", {"mean_reps": 1, "sd_reps": -1}),
        ("exercise_traits", {}),
        ("exercise_traits", {"joints": "multi", "muscles": {"chest": 1.5}}),
        ("policy", "newest"),
        ("policy", "2026-11-25\n"),
        ("exercise", "leg press"),
        ("velocity", 1),
    ],
)
def test_what_the_types_can_see_never_reaches_the_rules(member: str, value: Any) -> None:
    """Ranges, vocabularies and unknown members of the contract are refused by the type itself."""
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"rep_target": 8, member: value}, SetContext, strict=True)
