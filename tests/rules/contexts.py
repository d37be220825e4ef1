"""Set contexts to test with: hypothesis strategies over every field, and short ways to an answer.

A context is drawn as a document (a dict as it comes out of JSON), so that a law can change one member
and convert again the way a request is read.
"""

from typing import Any, get_args

import msgspec
from hypothesis import settings
from hypothesis import strategies as st

from service.policy.catalogue import load_policies
from service.rules.answer import Prescription
from service.rules.compiled import Policy
from service.rules.context import Caution, Equipment, Experience, Goal, SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from service.rules.weigh import Weighed

Document = dict[str, Any]

POLICIES = load_policies(with_drafts=True)
POLICY: Policy = POLICIES.newest

EXERCISES = tuple(sorted(POLICY.data.exercises))
UNDER_BAR = tuple(sorted(e.id for e in POLICY.data.exercises.values() if e.under_bar))
MUSCLES = tuple(sorted(POLICY.data.muscles))
EXPERIENCES: tuple[str, ...] = get_args(Experience)
GOALS: tuple[str, ...] = get_args(Goal)
EQUIPMENTS: tuple[str, ...] = get_args(Equipment)
CAUTIONS = tuple(code for code in get_args(Caution) if code != "warning_signs")
NEGATIVE_ZERO = -0.0

# The same examples on every machine and in every run; no clock, no files left behind.
steady = settings(derandomize=True, database=None, deadline=None, max_examples=100)
brisk = settings(steady, max_examples=40)
thorough = settings(steady, max_examples=200)

reps = st.integers(min_value=1, max_value=50)


def numbers(low: float, high: float, *edges: float) -> st.SearchStrategy[float]:
    """Numbers in [low, high], whole, fractional and at the named edges; whole ones also as int."""
    arms = [
        st.floats(min_value=low, max_value=high, allow_nan=False),
        st.integers(min_value=int(low), max_value=int(high)),
        st.sampled_from((low, high, *edges)),
    ]
    if low == 0:
        arms.append(st.just(NEGATIVE_ZERO))
    return st.one_of(*arms)


percents = st.one_of(
    st.floats(min_value=20, max_value=100),
    st.integers(min_value=30, max_value=100),
    st.floats(min_value=0, max_value=20, exclude_min=True),
)
exposures = numbers(0, 10_000, 1, 2, 3, 4) | numbers(0, 5)
days = numbers(0, 10_000, 56, 84, 182) | numbers(0, 200)
hours = numbers(0, 10_000, 36, 48, 72) | numbers(30, 50)
shares = numbers(0, 1, 0.25, 0.5)
later_sets = numbers(0, 100, 2, 5) | numbers(0, 6)
# mostly sent, so that members meet each other
SAID = st.sampled_from(("left out", "null", "sent", "sent", "sent", "sent"))
places = st.integers(min_value=1, max_value=30) | st.integers(min_value=1, max_value=6)
experiences = st.sampled_from(EXPERIENCES)
goals = st.sampled_from(GOALS)
caution_lists = st.lists(st.sampled_from(CAUTIONS), unique=True, max_size=3)
biases = st.fixed_dictionaries(
    {"mean_reps": numbers(-5, 5, 0, 0.25, NEGATIVE_ZERO), "sd_reps": numbers(0, 5)}
)
traits = st.fixed_dictionaries(
    {"joints": st.sampled_from(("multi", "single"))},
    optional={
        "equipment": st.sampled_from((None, *EQUIPMENTS)),
        "under_bar": st.sampled_from((None, True, False)),
        "muscles": st.none() | st.dictionaries(st.sampled_from(MUSCLES), numbers(0, 1, 0.5), max_size=3),
    },
)


@st.composite
def _orders(draw: st.DrawFn) -> tuple[int | None, int | None]:
    """(order, count), either of them unknown, the order within the count and often at its ends."""
    count = draw(st.none() | places)
    known = places if count is None else st.integers(1, count) | st.sampled_from((1, count))
    return draw(st.none() | known), count


@st.composite
def documents(draw: st.DrawFn, /, **fixed: Any) -> Document:
    """A valid set context as a document: members left out, null, or sent; `fixed` members stand.

    Never holds `warning_signs`, which withholds the target.
    """
    exercise_order, exercises_in_session = draw(_orders())
    set_order, sets_in_exercise = draw(_orders())
    optional: dict[str, st.SearchStrategy[Any]] = {
        "load_percent_1rm": percents,
        "later_overlapping_sets": later_sets,
        "experience": experiences,
        "exposures": exposures,
        "days_since_last_exposure": days,
        "goal": goals,
        "hours_since_muscle_trained": hours,
        "hours_until_muscle_trained": hours,
        "failure_share_7d": shares,
        "deload": st.booleans(),
        "spotter": st.booleans(),
        "safety_arms": st.booleans(),
        "cautions": caution_lists,
        "reporting_bias": biases,
    }
    document: Document = {"rep_target": draw(reps | st.integers(min_value=1, max_value=16))}
    for name, values in optional.items():
        said = draw(SAID)
        if said != "left out":
            document[name] = draw(values) if said == "sent" else None
    lift = draw(
        st.one_of(
            st.just({}),
            st.fixed_dictionaries({"exercise": st.sampled_from(EXERCISES)}),
            st.fixed_dictionaries({"exercise": st.sampled_from(UNDER_BAR)}),
            st.fixed_dictionaries({"exercise_traits": traits}),
        )
    )
    document |= lift | {
        name: value
        for name, value in {
            "exercise_order": exercise_order,
            "exercises_in_session": exercises_in_session,
            "set_order": set_order,
            "sets_in_exercise": sets_in_exercise,
        }.items()
        if value is not None or draw(st.booleans())
    }
    return document | fixed


def context_of(document: Document) -> SetContext:
    """The document read the way a request is read."""
    return msgspec.convert(document, SetContext, strict=True)


def answer(document: Document, policy: Policy = POLICY) -> Prescription:
    """The full answer to a document."""
    return prescribe(context_of(document), policy)


def encoded(document: Document, policy: Policy = POLICY) -> bytes:
    """The full answer as the bytes that go over the wire."""
    return msgspec.json.encode(answer(document, policy))


def target(document: Document, policy: Policy = POLICY) -> float:
    """The target [repetitions] of a context that is not withheld."""
    reserve = prescribe_brief(context_of(document), policy).reps_in_reserve
    assert reserve is not None
    return reserve.target


def effects(given: Prescription | Weighed) -> dict[str, float]:
    """Effect [repetitions] by factor; each factor speaks at most once."""
    names = [reason.factor for reason in given.reasons]
    assert len(set(names)) == len(names), f"a factor speaks twice: {names}"
    return {reason.factor: reason.effect_reps for reason in given.reasons}
