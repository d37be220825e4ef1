"""Whether load and rep target can both hold, and how to make them agree."""

from collections.abc import Iterator
from functools import lru_cache
from math import floor
from typing import NamedTuple

from msgspec.structs import replace

from service.rules.answer import Adjustment, Conflict, Expected, ReserveRange, Spread
from service.rules.capacity import (
    chance_below,
    mean_reps_to_failure,
    percent_for_reps,
    sd_reps_to_failure,
)
from service.rules.compiled import Policy
from service.rules.context import MOST_REPS
from service.rules.inputs import Facts
from service.rules.weigh import Standing, reserve_if, stand

DECIMALS = 3
PERCENT_DECIMALS = 1


def conflict_of(mean: float, rep_target: int, reserve: ReserveRange, policy: Policy) -> Conflict | None:
    """Return why load and reps cannot both hold when the mean lifter can do `mean` [repetitions]; None if they can."""
    left = mean - rep_target
    if left < reserve.low:
        return "too_heavy"
    if left > reserve.high + policy.data.limits.too_light_margin_reps:
        return "too_light"
    return None


def expected_of(facts: Facts, reserve: ReserveRange, policy: Policy) -> Expected | None:
    """Return what the average lifter can do at the load, None when no load was sent.

    `chance_short` treats repetitions to failure as normal between people, with no half-rep correction.
    """
    load = facts.load_percent_1rm
    if load is None:
        return None
    capacity = policy.data.capacity
    mean = mean_reps_to_failure(capacity, facts.family, load)
    sd = sd_reps_to_failure(capacity, facts.family, load)
    return Expected(
        reps_to_failure=Spread(mean=round(mean, DECIMALS), sd=round(sd, DECIMALS)),
        reps_at_target=max(0, floor(mean - reserve.target)),
        chance_short=round(chance_below(mean, sd, facts.rep_target + reserve.low), DECIMALS),
        conflict=conflict_of(mean, facts.rep_target, reserve, policy),
    )


class _Present(NamedTuple):
    """The context in conflict: its facts, their ledger's sums, and its load [% of 1RM]."""

    facts: Facts
    standing: Standing
    load: float


def _fits(present: _Present, field: str, value: float, policy: Policy) -> bool:
    """Whether load and reps would agree if `field` had `value`."""
    facts = replace(present.facts, **{field: value})
    reserve = reserve_if(facts, policy, present.standing, field)
    load = value if field == "load_percent_1rm" else present.load
    mean = mean_reps_to_failure(policy.data.capacity, facts.family, load)
    return conflict_of(mean, facts.rep_target, reserve, policy) is None


def targets_from(first: float, policy: Policy) -> Iterator[float]:
    """Targets to try: the present one, then ever further from it, on the rounding step."""
    step = policy.data.limits.rounding_step_reps
    yield first
    for distance in range(1, round(policy.highest_target / step) + 1):
        yield first + distance * step
        if first >= distance * step:
            yield first - distance * step


def _keep_reps(present: _Present, target: float, policy: Policy) -> Adjustment | None:
    # The load moves the base, so the load that fits one target may get another: try targets in turn.
    facts = present.facts
    for wanted in targets_from(target, policy):
        percent = percent_for_reps(policy.data.capacity, facts.family, facts.rep_target + wanted)
        load = round(percent, PERCENT_DECIMALS)
        if _fits(present, "load_percent_1rm", load, policy):
            return Adjustment(keep="reps", load_percent_1rm=load)
    return None


def reps_from(start: int, most: int) -> Iterator[int]:
    """Rep targets to try, up to `most`: `start`, then ever further from it."""
    yield start
    for distance in range(1, most):
        if start - distance >= 1:
            yield start - distance
        if start + distance <= most:
            yield start + distance


def _keep_load(present: _Present, mean: float, target: float, policy: Policy) -> Adjustment | None:
    # Other reps may get another target: walk from the number that fits the present one.
    most = min(floor(mean), MOST_REPS)  # more than the mean lifter can do never fits
    for reps in reps_from(min(max(floor(mean - target), 1), most), most):
        if _fits(present, "rep_target", reps, policy):
            return Adjustment(keep="load", rep_target=reps)
    return None


@lru_cache(maxsize=2048)
def adjustments(facts: Facts, reserve: ReserveRange, policy: Policy) -> tuple[Adjustment, ...]:
    """Return ways out of a conflict; each, applied with all else equal, has no conflict.

    Keep the load and do other reps (where one rep or more fits), or keep the reps and use another load.
    """
    load = facts.load_percent_1rm
    if load is None:
        return ()
    mean = mean_reps_to_failure(policy.data.capacity, facts.family, load)
    if conflict_of(mean, facts.rep_target, reserve, policy) is None:
        return ()
    present = _Present(facts, stand(facts, policy), load)
    found = (
        _keep_load(present, mean, reserve.target, policy),
        _keep_reps(present, reserve.target, policy),
    )
    return tuple(adjustment for adjustment in found if adjustment is not None)
