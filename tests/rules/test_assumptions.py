"""Assumptions: every default that was used is listed with its value, and nothing that has no effect."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.answer import Assumption, Prescription
from tests.rules.contexts import POLICY, UNDER_BAR, Document, answer, brisk, documents, steady, target

BARE = {"rep_target": 8}
# As the contract lists them: omitted means neutral, with the value used.
STATED = {
    "goal": "hypertrophy",
    "experience": "intermediate",
    "exposures": 4,
    "later_overlapping_sets": None,
    "hours_since_muscle_trained": 72,
    "hours_until_muscle_trained": 72,
    "failure_share_7d": 0,
    "deload": False,
    "load_percent_1rm": None,
    "exercise": None,
}
# Values that between them show whether an omitted field could matter at all.
PROBES: dict[str, tuple[Any, ...]] = {
    "goal": ("strength", "power", "local_endurance"),
    "experience": ("novice", "advanced"),
    "exposures": (0, 1, 3, 3.5),
    "days_since_last_exposure": (70, 84, 120, 182),
    "later_overlapping_sets": (0, 1, 2, 5),
    "hours_since_muscle_trained": (0, 36, 40, 47),
    "hours_until_muscle_trained": (0, 36, 40, 47),
    "failure_share_7d": (0.3, 0.5, 1),
    "deload": (True,),
    "load_percent_1rm": (30, 60, 75, 100),
    "exercise_order": tuple(range(1, 31)),
    "spotter": (True,),
    "safety_arms": (True,),
}


def _assumed(found: Prescription) -> dict[str, Assumption]:
    listed = {assumption.field: assumption for assumption in found.assumptions}
    assert len(listed) == len(found.assumptions), "a field is listed twice"
    return listed


def _valid(document: Document, field: str) -> tuple[Any, ...]:
    most = document.get("exercises_in_session") if field == "exercise_order" else None
    return tuple(v for v in PROBES[field] if most is None or v <= most)


def _probed(document: Document, field: str) -> list[Document]:
    """The document with each value of `field` that could show an effect."""
    return [document | {field: value} for value in _valid(document, field)]


def _placed_sets(document: Document) -> list[Document]:
    """The document with the set placed in every way: alone, last, or earlier, in a count it allows."""
    sent = document.get("sets_in_exercise")
    return [
        document | {"set_order": order, "sets_in_exercise": count}
        for count in ((1, 2, 5) if sent is None else (sent,))
        for order in {1, count}
    ]


def _without_assumptions(found: Prescription) -> bytes:
    return msgspec.json.encode(msgspec.structs.replace(found, assumptions=()))


def test_the_barest_context_lists_every_default_with_its_value() -> None:
    """rep_target alone: each neutral value of the contract is an assumption with a text."""
    listed = _assumed(answer(BARE))
    for field, value in STATED.items():
        assert listed[field].value == value, field
    assert all(assumption.text for assumption in listed.values())
    assert "policy" not in listed
    assert "spotter" not in listed
    assert "safety_arms" not in listed


@steady
@given(documents())
def test_a_field_that_was_sent_is_never_an_assumption(document: Document) -> None:
    """Only omitted (or null) fields are assumed; the stated value is the contract's."""
    for field, assumption in _assumed(answer(document)).items():
        outer, _, inner = field.partition(".")
        sent = document.get(outer)
        if inner:
            assert sent is not None
            sent = sent.get(inner)
        assert sent is None, field
        if field in STATED:
            assert assumption.value == STATED[field]


@pytest.mark.parametrize("field", STATED)
@brisk
@given(document=documents())
def test_a_default_with_an_effect_on_the_target_is_listed(field: str, document: Document) -> None:
    """Leaving a field out whose value would move the target makes it an assumption."""
    left_out = {name: value for name, value in document.items() if name != field}
    if field == "exercise":
        left_out.pop("exercise_traits", None)
        moved = True
    else:
        now = target(left_out)
        moved = any(target(left_out | {field: value}) != now for value in _valid(left_out, field))
    if moved:
        assert field in _assumed(answer(left_out))


@pytest.mark.parametrize("field", [*PROBES, "set_order"])
@brisk
@given(document=documents())
def test_a_field_without_any_effect_is_no_assumption(field: str, document: Document) -> None:
    """If no value of an omitted field changes anything in the answer, it is not listed."""
    left_out = {name: value for name, value in document.items() if name != field}
    found = answer(left_out)
    if field not in _assumed(found):
        return
    plain = _without_assumptions(found)
    probes = _placed_sets(left_out) if field == "set_order" else _probed(left_out, field)
    assert any(_without_assumptions(answer(probe)) != plain for probe in probes), (field, left_out)


@steady
@given(documents(), st.sampled_from(UNDER_BAR))
def test_an_unknown_helper_under_a_bar_counts_as_none_and_is_listed(document: Document, lift: str) -> None:
    """Neither spotter nor arms known: both are listed as false, and the answer is that of neither."""
    known = {k: v for k, v in document.items() if k not in ("exercise_traits", "spotter", "safety_arms")}
    unknown = answer(known | {"exercise": lift})
    listed = _assumed(unknown)
    assert listed["spotter"].value is False
    assert listed["safety_arms"].value is False
    neither = answer(known | {"exercise": lift, "spotter": False, "safety_arms": False})
    assert _without_assumptions(unknown) == _without_assumptions(neither)


@pytest.mark.parametrize("helper", ["spotter", "safety_arms"])
def test_one_known_helper_makes_the_other_no_assumption(helper: str) -> None:
    """With a spotter (or arms) the other has no effect and is not listed."""
    listed = _assumed(answer(BARE | {"exercise": UNDER_BAR[0], helper: True}))
    assert not {"spotter", "safety_arms"} & listed.keys()


def test_an_unknown_bar_in_traits_is_listed() -> None:
    """Traits without `under_bar` are taken as not under a bar, and say so."""
    listed = _assumed(answer(BARE | {"exercise_traits": {"joints": "multi"}}))
    assert listed["exercise_traits.under_bar"].value is False
    assert "exercise" not in listed


def test_the_only_exercise_of_a_session_needs_no_place() -> None:
    """With one exercise in the session its order has no effect, so it is no assumption."""
    assert "exercise_order" not in _assumed(answer(BARE | {"exercises_in_session": 1}))


def test_the_only_set_of_an_exercise_needs_no_place() -> None:
    """With one set in the exercise its order has no effect, so it is no assumption."""
    assert "set_order" not in _assumed(answer(BARE | {"sets_in_exercise": 1}))


def test_an_unknown_absence_is_listed_beside_known_exposures() -> None:
    """Exposures without days since the last: counted as no break, and listed; not when there are none."""
    assert _assumed(answer(BARE | {"exposures": 3}))["days_since_last_exposure"].value == 0
    assert "days_since_last_exposure" not in _assumed(answer(BARE | {"exposures": 0}))


def test_a_withheld_answer_assumes_nothing() -> None:
    """No default was used where nothing is prescribed."""
    assert answer({"rep_target": 8, "cautions": ["warning_signs"]}).assumptions == ()


def test_every_assumption_has_its_own_text() -> None:
    """Texts are not shared between fields."""
    texts = list(POLICY.data.defaults.texts.values())
    assert len(set(texts)) == len(texts)
