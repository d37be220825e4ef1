"""Same input, same bytes: whatever was asked before, however the policy was loaded, however it was said."""

import subprocess
import sys
from pathlib import Path

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from service.policy.catalogue import load_policies
from service.rules.answer import BriefPrescription
from service.rules.context import ExerciseTraits, SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from tests.rules.contexts import (
    POLICY,
    Document,
    answer,
    brisk,
    context_of,
    documents,
    encoded,
    steady,
)

FRESH = load_policies(with_drafts=True).newest
ROOT = Path(__file__).parents[2]
NUMBERS = (
    "load_percent_1rm",
    "later_overlapping_sets",
    "exposures",
    "days_since_last_exposure",
    "hours_since_muscle_trained",
    "hours_until_muscle_trained",
    "failure_share_7d",
)
PROGRAM = """
import msgspec
from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from service.rules.prescribe import prescribe
context = msgspec.convert({
    "rep_target": 5, "load_percent_1rm": 60, "experience": "novice", "exposures": 1, "exercise_order": 1,
    "exercises_in_session": 4, "cautions": ["pregnancy", "under_18"], "hours_since_muscle_trained": 40,
    "exercise_traits": {"joints": "single", "under_bar": True}, "set_order": 2, "sets_in_exercise": 2,
}, SetContext)
print(msgspec.json.encode(prescribe(context, load_policies(with_drafts=True).newest)).decode())
"""


@steady
@given(documents(), st.lists(documents(), min_size=1, max_size=4))
def test_other_contexts_in_between_change_no_byte(document: Document, others: list[Document]) -> None:
    """An answer does not depend on what was prescribed before it."""
    first = encoded(document)
    for other in others:
        answer(other)
    assert encoded(document) == first


@brisk
@given(documents(), st.lists(documents(), max_size=2))
def test_a_freshly_loaded_policy_gives_the_same_bytes(document: Document, others: list[Document]) -> None:
    """Two loads of one version, one of them warmed up with other contexts, answer alike."""
    for other in others:
        answer(other, FRESH)
    assert encoded(document, FRESH) == encoded(document, POLICY)


@steady
@given(documents())
def test_null_is_the_same_as_leaving_out(document: Document) -> None:
    """Every optional member sent as null gives the bytes of leaving it out, nested traits too."""
    said = {name: value for name, value in document.items() if value is not None}
    silent = {name: None for name in SetContext.__struct_fields__ if name not in said}
    traits = said.get("exercise_traits")
    if traits is not None:
        told = {name: value for name, value in traits.items() if value is not None}
        nulls = {name: None for name in ExerciseTraits.__struct_fields__ if name not in told}
        assert encoded(said | {"exercise_traits": told}) == encoded(
            said | silent | {"exercise_traits": told | nulls}
        )
    assert encoded(said) == encoded(said | silent)


@steady
@given(documents())
def test_equal_numbers_give_equal_bytes(document: Document) -> None:
    """8 and 8.0 and, at zero, -0.0 are one number to the answer."""
    as_float = {n: float(v) if n in NUMBERS and v is not None else v for n, v in document.items()}
    as_int = {
        n: int(v) if n in NUMBERS and v is not None and float(v).is_integer() else v
        for n, v in document.items()
    }
    signed = {n: -0.0 if n in NUMBERS and v is not None and v == 0 else v for n, v in document.items()}
    assert encoded(as_float) == encoded(document)
    assert encoded(as_int) == encoded(document)
    assert encoded(signed) == encoded(document)


@steady
@given(documents())
def test_no_negative_zero_in_an_answer(document: Document) -> None:
    """No number of an answer reads -0.0."""
    assert b"-0.0" not in encoded(document).replace(b"-0.0625", b"")


@steady
@given(documents())
def test_brief_equals_full_on_what_both_hold(document: Document) -> None:
    """detail=brief leaves members out and changes none."""
    context = context_of(document)
    brief, full = prescribe_brief(context, POLICY), prescribe(context, POLICY)
    for member in BriefPrescription.__struct_fields__:
        assert getattr(brief, member) == getattr(full, member)


def test_brief_equals_full_when_withheld() -> None:
    """A withheld answer is withheld in both details."""
    context = context_of({"rep_target": 8, "cautions": ["age_65_or_over", "warning_signs"]})
    brief, full = prescribe_brief(context, POLICY), prescribe(context, POLICY)
    for member in BriefPrescription.__struct_fields__:
        assert getattr(brief, member) == getattr(full, member)


@brisk
@given(documents())
def test_naming_the_policy_changes_nothing(document: Document) -> None:
    """`policy` pins the version that would be used anyway: same bytes, and no assumption either way."""
    assert encoded(document | {"policy": POLICY.version}) == encoded(document)


@brisk
@given(documents())
def test_an_answer_survives_json_and_msgpack(document: Document) -> None:
    """Both encodings read back to the same answer."""
    full = answer(document)
    assert msgspec.json.decode(msgspec.json.encode(full), type=type(full)) == full
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(full), type=type(full)) == full


def test_another_process_gives_the_same_bytes() -> None:
    """Three processes, each with string hashes of its own (-R), print the same answer."""
    printed = {
        subprocess.run(
            [sys.executable, "-R", "-c", PROGRAM],
            cwd=ROOT,
            check=True,
            capture_output=True,
        ).stdout
        for _ in range(3)
    }
    assert len(printed) == 1
