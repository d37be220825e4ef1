"""Whether load and rep target can both hold, and how to make them agree."""

from collections.abc import Iterator
from functools import lru_cache
from math import floor

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
from service.rules.weigh import reserve_for

DECIMALS = 3
_PERCENT_DECIMALS = 1


def _conflict(mean: float, rep_target: int, reserve: ReserveRange, policy: Policy) -> Conflict | None:
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
        conflict=_conflict(mean, facts.rep_target, reserve, policy),
    )


def _fits(facts: Facts, load: float, policy: Policy) -> bool:
    """Whether load [% of 1RM] and reps of `facts` agree."""
    mean = mean_reps_to_failure(policy.data.capacity, facts.family, load)
    return _conflict(mean, facts.rep_target, reserve_for(facts, policy), policy) is None


def _targets_from(first: float, policy: Policy) -> Iterator[float]:
    """Targets to try: the present one, then ever further from it, on the rounding step."""
    step = policy.data.limits.rounding_step_reps
    yield first
    for distance in range(1, round(policy.highest_target / step) + 1):
        yield first + distance * step
        if first >= distance * step:
            yield first - distance * step


def _keep_reps(facts: Facts, target: float, policy: Policy) -> Adjustment | None:
    # The load moves the base, so the load that fits one target may get another: try targets in turn.
    for wanted in _targets_from(target, policy):
        percent = percent_for_reps(policy.data.capacity, facts.family, facts.rep_target + wanted)
        load = round(percent, _PERCENT_DECIMALS)
        if _fits(replace(facts, load_percent_1rm=load), load, policy):
            return Adjustment(keep="reps", load_percent_1rm=load)
    return None


def _reps_from(start: int) -> Iterator[int]:
    """Rep targets to try: `start`, then ever further from it."""
    yield start
    for distance in range(1, MOST_REPS):
        if start - distance >= 1:
            yield start - distance
        if start + distance <= MOST_REPS:
            yield start + distance


def _keep_load(facts: Facts, load: float, mean: float, target: float, policy: Policy) -> Adjustment | None:
    # Other reps may get another target: walk from the number that fits the present one.
    for reps in _reps_from(min(max(floor(mean - target), 1), MOST_REPS)):
        if _fits(replace(facts, rep_target=reps), load, policy):
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
    if _conflict(mean, facts.rep_target, reserve, policy) is None:
        return ()
    found = (
        _keep_load(facts, load, mean, reserve.target, policy),
        _keep_reps(facts, reserve.target, policy),
    )
    return tuple(adjustment for adjustment in found if adjustment is not None)
