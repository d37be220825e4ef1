"""How carry-over is carried forward: equal to the equations, bounded, linear; and how its numbers are read."""

import sys
from itertools import pairwise
from math import exp, fsum
from pathlib import Path

import pytest
from hypothesis import given

from service.errors import PolicyBroken
from service.policy.carryover_numbers import FOLDER, load_carryover
from service.rules.carryover.predict import PlannedSet, predict
from tests.rules.contexts import POLICY, steady
from tests.rules.planned_sets import HOUR, NUMBERS, TINY, Plan, one, plans, reps, run


def from_the_equations(plan: Plan) -> list[float]:
    """Capacity left for each set, straight from the equations: every pair of sets, nothing carried."""
    fast, slow, dose = NUMBERS.fast, NUMBERS.slow, NUMBERS.dose
    left: list[float] = []
    doses: list[tuple[PlannedSet, float, float]] = []
    clock = {planned.session_starts_at_seconds: 0.0 for planned in plan}
    for planned in plan:
        start, capacity = planned.session_starts_at_seconds, planned.capacity_reps
        fatigue = dict.fromkeys(planned.muscles, 0.0)
        for earlier, size, at in doses:
            gap = start - earlier.session_starts_at_seconds
            quick = fast.fatigue * exp((at - clock[start]) / fast.time_constant_seconds) if gap == 0 else 0
            part = quick + slow.fatigue * max(0, 1 - gap / HOUR / slow.gone_after_hours) ** 2
            for name, share in planned.muscles.items():
                fatigue[name] += share * earlier.muscles.get(name, 0) * size * part
        left.append(capacity * exp(-max(fatigue.values(), default=0)))
        reserve, target = planned.reps_in_reserve, planned.rep_target
        length = capacity if reserve is None else max(0, min(target, capacity - reserve))
        remains = 0 if reserve is None else min(left[-1], max(reserve, left[-1] - target))
        size = (min(length, dose.most_reps) / dose.reference_reps) ** dose.reps_exponent
        doses.append((planned, size / (1 + remains) ** dose.reserve_exponent, clock[start]))
        clock[start] += NUMBERS.rest.usual_seconds if planned.rest_seconds is None else planned.rest_seconds
    return left


@steady
@given(plans())
def test_carrying_forward_gives_what_the_equations_give(plan: Plan) -> None:
    """The state per muscle loses nothing against a sum over all pairs of sets."""
    carried = [done.capacity_reps for done in run(plan)]
    assert carried == pytest.approx(from_the_equations(plan), abs=TINY)


def crowded(sets: int, hours: int) -> Plan:
    """Sets of one muscle within 48 h, each an exercise, and where hours are given a session, of its own."""
    return [one(source=f"/{i}", session_starts_at_seconds=i * hours * HOUR / sets) for i in range(sets)]


@pytest.mark.parametrize("hours", [0, 47])
def test_ever_more_sources_stay_bounded_and_still_add_up(hours: int) -> None:
    """Beyond the latest 32 of a muscle they are pooled under None; the total is that of the equations."""
    plan = crowded(150, hours)
    done = run(plan)
    assert [each.capacity_reps for each in done] == pytest.approx(from_the_equations(plan), abs=TINY)
    assert max(len(each.paid_by) for each in done) == 33
    pooled = [payment.reps_lost for payment in done[-1].paid_by if payment.source is None]
    assert len(pooled) == 1
    assert pooled[0] > 0
    assert fsum(payment.reps_lost for payment in done[-1].paid_by) == pytest.approx(
        10 - done[-1].capacity_reps
    )


@pytest.mark.parametrize("hours", [0, 47])
def test_the_work_is_linear_in_the_number_of_sets(hours: int) -> None:
    """Calls made, Python's and C's: each further 200 sets take as many as the 200 before."""
    calls: list[int] = []
    for sets in (200, 400, 600):
        plan, count = crowded(sets, hours), [0]
        sys.setprofile(
            lambda _frame, event, _arg, count=count: count.__setitem__(0, count[0] + ("call" in event))
        )
        try:
            predict(plan, NUMBERS)
        finally:
            sys.setprofile(None)
        calls.append(count[0])
    first, second = (more - fewer for fewer, more in pairwise(calls))
    assert second == pytest.approx(first, rel=0.05)


def test_an_unknown_rest_is_the_usual_one() -> None:
    """None reads as the policy's usual rest."""
    unknown, usual = ([one(rest_seconds=rest)] * 3 for rest in (None, NUMBERS.rest.usual_seconds))
    assert reps(unknown) == reps(usual)


def test_sessions_out_of_order_are_refused() -> None:
    """The model walks forward in time only."""
    with pytest.raises(ValueError, match="order"):
        run([one(session_starts_at_seconds=HOUR), one()])


BROKEN = {
    "other version": ('version = "2026-11-25"', 'version = "2026-11-26"', "version"),
    "unknown key": ("reference_reps", "favourite_reps", "reference_reps|favourite"),
    "unknown source": ('"SCI07", "WIL05"', '"SCI07", "WIL99"', "WIL99"),
    "study grade without a source": (
        'evidence = ["SCI07", "WIL05", "REF23F"]',
        "evidence = []",
        "needs evidence",
    ),
    "number that must be above 0": ("fatigue = 0.6288", "fatigue = 0.0", "fatigue"),
    "longest set shorter than the reference": ("most_reps = 20.0", "most_reps = 2.0", "most_reps"),
}


@pytest.mark.parametrize(("old", "new", "word"), BROKEN.values(), ids=BROKEN)
def test_broken_numbers_are_refused(tmp_path: Path, old: str, new: str, word: str) -> None:
    """Every refusal starts from data that loads, and names the fault."""
    text = (FOLDER / "2026-11-25.toml").read_text("utf-8")
    assert old in text
    (tmp_path / "2026-11-25.toml").write_text(text.replace(old, new), "utf-8")
    with pytest.raises(PolicyBroken, match=word):
        load_carryover(POLICY, tmp_path)
