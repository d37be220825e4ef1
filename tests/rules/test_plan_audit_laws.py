"""Laws of the audit over plans at will: short texts, right places, mends that work, work that grows with the sets."""

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any, get_args

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from service.rules.plans.audit_warning import Code
from service.rules.plans.placed import trains_alike
from tests.rules.contexts import EXERCISES, POLICY, steady, thorough
from tests.rules.placed_sets import WEEK_HOURS, Plan, audited, one, plans, pointers

limits = st.none() | st.sampled_from((0.0, 0.29, 0.5, 1.0)) | st.floats(0, 1)


def trained(plan: Plan) -> Plan:
    """Return the sets an audit looks at."""
    return [placed for placed in plan if not placed.cut and placed.reserve_reps is not None]


@steady
@given(plans(), limits)
def test_every_text_is_short_and_every_key_is_in_the_register(plan: Plan, limit: float | None) -> None:
    """140 characters, whatever the names and figures; nothing is left to fill in."""
    for warning in audited(plan, limit):
        for told in (warning.text, warning.mend):
            assert 0 < len(told) <= 140
            assert "{" not in told
        assert set(warning.evidence) <= set(POLICY.data.evidence)
        assert warning.evidence


@steady
@given(plans(), limits)
def test_pointers_name_trained_sets_or_their_sessions_once_each_in_the_plans_order(
    plan: Plan, limit: float | None
) -> None:
    """A pointer to nothing, or to a cut set, would send the reader astray."""
    places = [placed.pointer for placed in trained(plan)]
    sessions = list(dict.fromkeys(f"/sessions/{placed.session}" for placed in trained(plan)))
    for warning in audited(plan, limit):
        order = sessions if warning.pointers[0] in sessions else places
        at = [order.index(pointer) for pointer in warning.pointers]
        assert at == sorted(set(at))


@steady
@given(plans(), limits)
def test_cut_sets_and_sets_without_a_reserve_change_nothing(plan: Plan, limit: float | None) -> None:
    """The audit with them is the audit without them."""
    assert audited(plan, limit) == audited(trained(plan), limit)


@steady
@given(plans(), limits)
def test_the_same_plan_gives_the_same_bytes_and_stays_as_it_was(plan: Plan, limit: float | None) -> None:
    """Pure: nothing is remembered, nothing changed."""
    before = msgspec.json.encode(plan)
    first, second = (msgspec.json.encode(audited(plan, limit)) for _ in range(2))
    assert first == second
    assert msgspec.json.encode(plan) == before


@steady
@given(plans())
def test_early_failure_is_every_failed_set_before_another_exercise_that_trains_alike(plan: Plan) -> None:
    """Set by set against set by set, as the rule is told."""
    sets = trained(plan)
    expected = [
        placed.pointer
        for placed in sets
        if placed.reserve_reps is not None
        and placed.reserve_reps < 0.5
        and any(
            later.session == placed.session
            and later.exercise_at > placed.exercise_at
            and later.exercise.id != placed.exercise.id
            and trains_alike(placed.exercise, later.exercise) > 0
            for later in sets
        )
    ]
    assert sorted(pointers(plan, "early_failure_before_overlap")) == sorted(expected)


def test_plans_at_will_come_upon_every_code() -> None:
    """Laws over plans that never fire would prove nothing."""
    heard: set[str] = set()

    @thorough
    @given(plans())
    def listen(plan: Plan) -> None:
        heard.update(warning.code for warning in audited(plan))

    listen()
    assert heard == set(get_args(Code))


# What a reader changes who follows the mend to the letter, at least.
MENDS: dict[str, dict[str, Any]] = {
    "new_exercise_close_to_failure": {"reserve_reps": 2.0},
    "early_failure_before_overlap": {"reserve_reps": 1.0},
    "under_bar_to_failure": {"reserve_reps": 3.0},
    "light_set_far_from_failure": {"reserve_reps": 2.0},
    "all_sets_far_from_failure": {"reserve_reps": 4.0},
}


@pytest.mark.parametrize("code", MENDS)
@steady
@given(plan=plans())
def test_doing_what_a_mend_says_silences_its_code(code: str, plan: Plan) -> None:
    """Sets pointed at, or in sessions pointed at, are moved to the value named."""
    at = pointers(plan, code)
    mended = [
        replace(placed, **MENDS[code])
        if placed.reserve_reps is not None
        and (placed.pointer in at or (f"/sessions/{placed.session}" in at and not placed.deload))
        else placed
        for placed in plan
    ]
    assert not pointers(mended, code)


@thorough
@given(plans(), limits, st.data())
def test_moving_as_many_failed_sets_as_named_leaves_no_share_too_high(
    plan: Plan, limit: float | None, data: st.DataObject
) -> None:
    """Whichever sets a reader picks out of those pointed at."""
    for warning in audited(plan, limit):
        if warning.code == "failure_share_high":
            moved = int(warning.mend.split(" move ")[1].split(" of ")[0])
            picked = data.draw(st.permutations(warning.pointers))[:moved]
            plan = [replace(one, reserve_reps=1.0) if one.pointer in picked else one for one in plan]
    assert not [warning for warning in audited(plan, limit) if warning.code == "failure_share_high"]


def bytecodes(work: Callable[[], object]) -> int:
    """Return how many bytecode instructions `work` takes."""
    count = 0

    def trace(frame: FrameType, event: str, _: object) -> Any:
        nonlocal count
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        count += event == "opcode"
        return trace

    former = sys.gettrace()
    sys.settrace(trace)
    try:
        work()
    finally:
        sys.settrace(former)
    return count


def faulty(sessions: int, exercises: int, sets: int, hours: float) -> Plan:
    """Return a plan of new exercises, all to failure with hardly any rest: most codes fire."""
    return [
        one(
            EXERCISES[place],
            0,
            at=(session, place, n),
            hours=session * hours,
            rest=10,
            exposures=0,
        )
        for session in range(sessions)
        for place in range(exercises)
        for n in range(sets)
    ]


@pytest.mark.parametrize(
    ("small", "large"),
    [
        ((4, 4, 4, WEEK_HOURS), (16, 4, 4, WEEK_HOURS)),
        ((4, 4, 4, 1.0), (16, 4, 4, 1.0)),
        ((4, 7, 4, 24.0), (4, 28, 4, 24.0)),
        ((4, 4, 7, WEEK_HOURS), (4, 4, 28, WEEK_HOURS)),
    ],
    ids=("weeks", "sessions of one day", "exercises of a session", "sets of an exercise"),
)
def test_four_times_the_sets_take_about_four_times_the_work(
    small: tuple[int, int, int, float], large: tuple[int, int, int, float]
) -> None:
    """Counted in bytecode instructions; other exercises train other muscles, hence the margin."""
    few, many = faulty(*small), faulty(*large)
    assert len(many) == 4 * len(few)
    assert bytecodes(lambda: audited(many)) < 5 * bytecodes(lambda: audited(few))
