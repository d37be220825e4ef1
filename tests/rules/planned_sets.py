"""Plans to test carry-over with: a plain set, plans at will, and what the numbers on disk say to them."""

from hypothesis import strategies as st
from msgspec.structs import replace

from service.policy.carryover_numbers import load_carryover
from service.rules.carryover.predict import PlannedSet, PredictedSet, predict
from tests.rules.contexts import POLICY

NUMBERS = load_carryover(POLICY)
HOUR = 3600
TINY = 1e-9  # rounding of floating point
Plan = list[PlannedSet]

shares = st.sampled_from((0.0, 0.5, 1.0)) | st.floats(0, 1)
muscle_shares = st.dictionaries(st.sampled_from("abcd"), shares, max_size=3)
reserves = st.none() | st.sampled_from((0, 0.5, 1, 3)) | st.floats(0, 12)
rests = st.none() | st.sampled_from((0, 60, 180)) | st.floats(0, 1200)


def one(**changes: object) -> PlannedSet:
    """Return a set of 8 planned repetitions at 2 in reserve, with changes."""
    plain = PlannedSet(
        source="a",
        session_starts_at_seconds=0,
        muscles={"a": 1.0},
        rep_target=8,
        reps_in_reserve=2,
        capacity_reps=10,
        rest_seconds=120,
    )
    return replace(plain, **changes)


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Up to three sessions of up to two exercises within four days, rests and closeness at will."""
    plan: Plan = []
    starts = sorted(draw(st.lists(st.integers(0, 96), min_size=1, max_size=3)))
    for session, start in enumerate(starts):
        for exercise in range(draw(st.integers(1, 2))):
            muscles = draw(muscle_shares)
            capacity = draw(st.floats(1, 60))
            plan += [
                PlannedSet(
                    source=f"/{session}/{exercise}",
                    session_starts_at_seconds=start * HOUR,
                    muscles=muscles,
                    rep_target=draw(st.integers(1, 30)),
                    reps_in_reserve=draw(reserves),
                    capacity_reps=capacity,
                    rest_seconds=draw(rests),
                )
                for _ in range(draw(st.integers(1, 4)))
            ]
    return plan


def run(plan: Plan) -> tuple[PredictedSet, ...]:
    """Return the prediction with the numbers on disk."""
    return predict(plan, NUMBERS)


def reps(plan: Plan) -> list[float]:
    """Return the repetitions each set completes."""
    return [done.predicted_reps for done in run(plan)]
