"""Laws of carry-over: what earlier sets take from later ones, and what a set moved closer to failure may change."""

from math import fsum

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.rules.contexts import steady
from tests.rules.planned_sets import HOUR, NUMBERS, TINY, Plan, one, plans, reps, run


def with_set(plan: Plan, index: int, **changes: object) -> Plan:
    """Return the plan with one set changed."""
    return [*plan[:index], replace(plan[index], **changes), *plan[index + 1 :]]


def some_index(data: st.DataObject, plan: Plan) -> int:
    """Draw the place of one set."""
    return data.draw(st.integers(0, len(plan) - 1), label="index")


def moved_closer(data: st.DataObject, plan: Plan, index: int) -> Plan:
    """Return the plan with one set ended at a smaller reserve, or at failure."""
    reserve = plan[index].reps_in_reserve
    assume(reserve is not None)
    return with_set(
        plan, index, reps_in_reserve=data.draw(st.none() | st.floats(0, reserve), label="reserve")
    )


@steady
@given(plans(), st.data())
def test_going_closer_never_raises_a_later_set_and_leaves_earlier_ones(
    plan: Plan, data: st.DataObject
) -> None:
    """Also the total without the moved set never rises."""
    index = some_index(data, plan)
    before, after = reps(plan), reps(moved_closer(data, plan, index))
    assert after[:index] == before[:index]
    assert all(new <= old + TINY for old, new in zip(before[index + 1 :], after[index + 1 :], strict=True))


@steady
@given(plans(), st.data())
def test_going_closer_raises_the_total_by_no_more_than_the_reserve_given_up(
    plan: Plan, data: st.DataObject
) -> None:
    """The moved set gains what it no longer leaves in reserve, never less than nothing; others only lose."""
    index = some_index(data, plan)
    before, after = run(plan), run(moved_closer(data, plan, index))
    gain = after[index].predicted_reps - before[index].predicted_reps
    given_up = before[index].reps_left - after[index].reps_left
    assert gain == pytest.approx(given_up, abs=TINY)
    assert gain >= -TINY
    total = [fsum(done.predicted_reps for done in plan) for plan in (before, after)]
    assert total[1] <= total[0] + given_up + TINY


@steady
@given(
    plans(), st.data(), st.integers(1, 6), st.floats(0, 3), st.tuples(st.floats(40, 900), st.floats(40, 900))
)
def test_a_heavier_load_at_equal_reps_never_raises_the_total(
    plan: Plan, data: st.DataObject, target: int, reserve: float, capacities: tuple[float, float]
) -> None:
    """Closer by load: the set completes its rep target either way, with less left; all others lose or keep."""
    index = some_index(data, plan)
    light, heavy = (
        with_set(plan, index, rep_target=target, reps_in_reserve=reserve, capacity_reps=capacity)
        for capacity in sorted(capacities, reverse=True)
    )
    before, after = reps(light), reps(heavy)
    assume(before[index] == after[index] == target)
    assert fsum(after) <= fsum(before) + TINY


def test_a_total_that_counts_the_moved_sets_own_gain_can_rise() -> None:
    """What is not promised: one set alone completes more at failure than at 3 in reserve."""
    far, near = ([one(rep_target=12, reps_in_reserve=reserve)] for reserve in (3, 0))
    assert reps(far) == [7]
    assert reps(near) == [10]


def test_over_a_session_of_six_sets_failure_completes_fewer_than_stopping_short() -> None:
    """Where the work to come is long enough the loss outweighs the gain: six sets of 10RM, 90 s rest."""
    near, far = ([one(rep_target=50, reps_in_reserve=q, rest_seconds=90)] * 6 for q in (0, 2))
    assert sum(reps(near)) < sum(reps(far))


@steady
@given(plans(), st.data())
def test_more_rest_never_lowers_any_set(plan: Plan, data: st.DataObject) -> None:
    """One rest grows; no set of this session or of later ones, whose starts stay, completes fewer."""
    index = some_index(data, plan)
    rest = plan[index].rest_seconds
    least = NUMBERS.rest.usual_seconds if rest is None else rest
    longer = with_set(plan, index, rest_seconds=least + data.draw(st.floats(0, 3600)))
    assert all(new >= old - TINY for old, new in zip(reps(plan), reps(longer), strict=True))


@steady
@given(plans(), st.data(), st.integers(0, 80))
def test_more_time_before_a_session_never_lowers_any_set(plan: Plan, data: st.DataObject, hours: int) -> None:
    """All sessions from one on start later by the same hours."""
    first = plan[some_index(data, plan)].session_starts_at_seconds
    later = [
        replace(planned, session_starts_at_seconds=start + hours * HOUR * (start >= first))
        for planned in plan
        for start in (planned.session_starts_at_seconds,)
    ]
    assert all(new >= old - TINY for old, new in zip(reps(plan), reps(later), strict=True))


@steady
@given(plans(), st.data())
def test_an_earlier_set_more_never_raises_a_later_one(plan: Plan, data: st.DataObject) -> None:
    """Work costs or is free: the same time spent idle never costs."""
    index = some_index(data, plan)
    idle = reps(with_set(plan, index, muscles={}))
    assert all(new <= old + TINY for old, new in zip(idle, reps(plan), strict=True))


@steady
@given(plans(), st.data(), st.floats(0, 1))
def test_a_greater_share_of_a_muscle_never_raises_that_set_or_later_ones(
    plan: Plan, data: st.DataObject, share: float
) -> None:
    """More overlap costs more, or the same."""
    index = some_index(data, plan)
    muscles = plan[index].muscles
    more = with_set(plan, index, muscles=muscles | {"a": max(share, muscles.get("a", 0.0))})
    assert all(new <= old + TINY for old, new in zip(reps(plan), reps(more), strict=True))


@steady
@given(plans())
def test_without_a_shared_muscle_there_is_no_loss(plan: Plan) -> None:
    """Every set has muscles of its own: capacity stays as it was, to the last bit."""
    apart = [
        replace(planned, muscles={f"{name}{place}": share for name, share in planned.muscles.items()})
        for place, planned in enumerate(plan)
    ]
    for planned, done in zip(apart, run(apart), strict=True):
        assert done.capacity_reps == planned.capacity_reps
        assert (done.limited_by, done.paid_by) == (None, ())


@steady
@given(plans(), plans(), st.integers(0, 10**9), st.integers(0, 10**6))
def test_after_48_hours_there_is_exactly_no_loss(
    plan: Plan, later: Plan, first_seconds: int, more_seconds: int
) -> None:
    """Sessions that start 48 h or more after the last one come out as if nothing had been before."""
    start = first_seconds + 48 * HOUR + more_seconds + plan[-1].session_starts_at_seconds
    begun = later[0].session_starts_at_seconds
    rested = [
        replace(planned, session_starts_at_seconds=planned.session_starts_at_seconds - begun + start)
        for planned in later
    ]
    tired = [
        replace(planned, session_starts_at_seconds=planned.session_starts_at_seconds + first_seconds)
        for planned in plan
    ]
    assert reps(tired + rested)[len(plan) :] == reps(rested)


@pytest.mark.parametrize("hours", [1, 24, 36, 47])
def test_before_48_hours_something_is_left_and_less_with_time(hours: int) -> None:
    """Refalo 2023, doi 10.1186/s40798-023-00554-y: still felt at 24 h, gone at 48 h."""
    first = [one(reps_in_reserve=0, rep_target=20)] * 4
    at = {
        h: run([*first, one(session_starts_at_seconds=h * HOUR)])[-1].capacity_reps
        for h in (hours, hours + 1)
    }
    assert at[hours] < at[hours + 1] <= 10
    assert at[hours + 1] < 10 or hours == 47


@steady
@given(plans())
def test_loss_lies_between_nothing_and_the_capacity_and_is_paid_for_in_full(plan: Plan) -> None:
    """Payments add up to the loss, each to an earlier source that trained the limiting muscle."""
    for place, (planned, done) in enumerate(zip(plan, run(plan), strict=True)):
        lost = planned.capacity_reps - done.capacity_reps
        assert 0 <= lost <= planned.capacity_reps
        assert 0 <= done.predicted_reps <= done.fresh_reps
        assert done.predicted_reps + done.reps_left == pytest.approx(done.capacity_reps, abs=TINY)
        assert fsum(payment.reps_lost for payment in done.paid_by) == pytest.approx(lost, abs=TINY)
        assert (done.limited_by is None) == (lost == 0)
        payers = {p.source for p in plan[:place] if p.muscles.get(str(done.limited_by), 0) > 0}
        assert {payment.source for payment in done.paid_by} <= payers
