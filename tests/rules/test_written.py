"""The way that puts answers together from pieces gives, byte for byte, what the plain way gives."""

import gc
import random
from typing import Any

import msgspec
import pytest
from hypothesis import given

from service.errors import InputRefused
from service.rules.compiled import Policy, compile_policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from service.rules.written import write
from service.rules.written.keys import MEMO_ENTRIES
from service.rules.written.write import Writer, Written, written
from tests.bench.contexts import random_contexts
from tests.rules.contexts import POLICIES, POLICY, Document, context_of, documents, thorough
from tests.rules.golden import FOLDER, read_golden
from tests.rules.wild_contexts import wild_document

WILD = 3000  # of each version; 1,000,000 more, of both, were compared by hand
VERSIONS = [pytest.param(policy, id=policy.version) for policy in POLICIES.versions]
encode = msgspec.json.Encoder().encode


def assert_same_bytes(context: SetContext, policy: Policy) -> None:
    """Compare both details, and the decision that goes into the counters."""
    full, brief = prescribe(context, policy), prescribe_brief(context, policy)
    assert written(context, policy, "full") == Written(full.decision, encode(full))
    assert written(context, policy, "brief") == Written(brief.decision, encode(brief))


@thorough
@given(documents())
def test_any_context_is_answered_with_the_same_bytes(document: Document) -> None:
    """Members left out, null and at their edges."""
    assert_same_bytes(context_of(document), POLICY)


@pytest.mark.parametrize("policy", VERSIONS)
def test_many_contexts_are_answered_with_the_same_bytes(policy: Policy) -> None:
    """So many that most pieces are known from other contexts."""
    rnd = random.Random(20261125)
    for _ in range(WILD):
        assert_same_bytes(context_of(wild_document(rnd, policy)), policy)


@pytest.mark.parametrize("policy", VERSIONS)
def test_golden_answers_are_given_this_way_too(policy: Policy) -> None:
    """Nothing known yet, then everything known."""
    writer = Writer(policy)
    for _ in range(2):
        for golden in read_golden(FOLDER / f"{policy.version}.jsonl"):
            context = msgspec.json.decode(golden.context, type=SetContext)
            assert writer.written(context, "full").body == bytes(golden.answer)


@pytest.mark.parametrize("detail", ["full", "brief"])
@pytest.mark.parametrize(
    "document",
    [
        {"rep_target": 8, "exercise": "no_such_lift", "exercise_order": 3, "exercises_in_session": 2},
        {"rep_target": 8, "cautions": ["pregnancy", "pregnancy"]},
        {"rep_target": 8, "exercise": "leg_press", "exercise_traits": {"joints": "multi"}},
    ],
)
def test_a_refused_context_is_refused_with_the_same_faults(document: Document, detail: Any) -> None:
    """All of them, also when a context that differs by one member was answered before."""
    context = context_of(document)
    with pytest.raises(InputRefused) as plain:
        prescribe(context, POLICY)
    with pytest.raises(InputRefused) as found:
        written(context, POLICY, detail)
    assert found.value.faults == plain.value.faults


@pytest.mark.parametrize("detail", ["full", "brief"])
def test_a_withheld_answer_has_the_same_bytes(detail: Any) -> None:
    """No target, and it is counted as withheld."""
    context = context_of({"rep_target": 8, "cautions": ["age_65_or_over", "warning_signs"]})
    assert_same_bytes(context, POLICY)
    assert written(context, POLICY, detail).decision == "withhold"


def test_a_policy_with_another_kind_of_base_is_answered_the_plain_way() -> None:
    """Pieces expect a base that keeps no discount in check; where it does, they are not used."""
    data = POLICY.data
    factors = tuple(
        msgspec.structs.replace(factor, stay_away=True) if factor.name == "base" else factor
        for factor in data.factors
    )
    policy = compile_policy(msgspec.structs.replace(data, factors=factors))
    rnd = random.Random(1)
    for _ in range(20):
        assert_same_bytes(context_of(wild_document(rnd, policy)), policy)


def memos_of(value: object, seen: set[int]) -> list[int]:
    """Sizes of all dicts below a writer."""
    if id(value) in seen or not type(value).__module__.startswith(("service.rules.written", "builtins")):
        return []
    seen.add(id(value))
    if isinstance(value, dict):
        return [len(value), *(size for entry in value.values() for size in memos_of(entry, seen))]
    if isinstance(value, list | tuple):
        return [size for entry in value for size in memos_of(entry, seen)]
    names = [*getattr(type(value), "__slots__", ()), *getattr(value, "__dict__", ())]
    return [size for name in names for size in memos_of(getattr(value, name, None), seen)]


def test_memos_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many different contexts are asked, no memo grows beyond its bound."""
    monkeypatch.setattr(write, "MOST_ANSWERS", 100)
    writer = Writer(POLICY)
    for context in random_contexts(POLICY, 3 * MEMO_ENTRIES, seed=3):
        writer.written(context, "full")
    sizes = memos_of(writer, set())
    assert len(sizes) > 1000
    assert max(sizes) <= 2 * MEMO_ENTRIES


def test_the_pieces_of_few_policies_are_kept() -> None:
    """However many versions and languages are asked for in turn, and each is answered as ever."""
    context = context_of({"rep_target": 8, "load_percent_1rm": 70.0})
    policies = [compile_policy(POLICY.data) for _ in range(2 * write.MOST_WRITERS)]
    bodies = {written(context, policy, "full").body for policy in policies}
    assert bodies == {encode(prescribe(context, POLICY))}
    gc.collect()
    kept = [each for each in gc.get_objects() if isinstance(each, Writer)]
    assert len(kept) <= write.MOST_WRITERS
