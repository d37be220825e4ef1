"""Asking only the factors that read a field gives the same as weighing everything anew."""

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from service.rules.inputs import facts_of
from service.rules.weigh import reserve_if, stand, weigh
from tests.rules.contexts import Document, documents

POLICY = load_policies().newest
VALUES = {
    "rep_target": st.integers(1, 50),
    "load_percent_1rm": st.none() | st.floats(1, 100),
    "exercise_order": st.none() | st.integers(1, 3),
    "set_order": st.none() | st.integers(1, 3),
    "later_overlapping_sets": st.none() | st.floats(0, 10),
    "experience": st.sampled_from(["novice", "intermediate", "advanced"]),
    "exposures": st.floats(0, 6),
    "days_since_last_exposure": st.floats(0, 300),
    "goal": st.sampled_from(["hypertrophy", "strength", "power", "local_endurance"]),
    "hours_since_muscle_trained": st.floats(0, 100),
    "hours_until_muscle_trained": st.floats(0, 100),
    "failure_share_7d": st.floats(0, 1),
    "deload": st.booleans(),
    "spotter": st.booleans(),
    "safety_arms": st.booleans(),
    "under_bar": st.booleans(),
    "joints": st.sampled_from(["multi", "single"]),
    "cautions": st.sampled_from([(), ("pregnancy",), ("under_18", "recent_injury_or_surgery")]),
}


@pytest.mark.parametrize("field", VALUES)
@settings(max_examples=60, deadline=None, derandomize=True)
@given(document=documents(), data=st.data())
def test_one_changed_field_weighs_the_same_either_way(
    field: str, document: Document, data: st.DataObject
) -> None:
    """The short way is only shorter."""
    facts = facts_of(msgspec.convert(document, SetContext, strict=True), POLICY.data)
    changed = replace(facts, **{field: data.draw(VALUES[field])})
    assert reserve_if(changed, POLICY, stand(facts, POLICY), field) == weigh(changed, POLICY).reserve
