"""Which one-field changes would move the target, each with the nearest value that does."""

from collections.abc import Callable, Sequence
from functools import lru_cache

from msgspec.structs import replace

from service.rules.answer import Change, InputValue
from service.rules.compiled import Policy
from service.rules.context import MOST_EXERCISES, MOST_REPS, Goal
from service.rules.curves import Curve
from service.rules.inputs import INPUTS, Facts
from service.rules.weigh import Standing, reserve_if, stand

EXPERIENCE_ASCENDING = ("novice", "intermediate", "advanced")
GOALS: tuple[Goal, ...] = ("hypertrophy", "strength", "power", "local_endurance")
# Finest change worth proposing, per field, as steps per unit: whole sessions, hours and sets, twentieths.
SHARE_STEPS = 20

FLAGS = ("deload", "spotter", "safety_arms")
FIELDS_OFF_BAR = (
    "experience",
    "exposures",
    "exercise_order",
    "later_overlapping_sets",
    "goal",
    "hours_since_muscle_trained",
    "hours_until_muscle_trained",
    "failure_share_7d",
    "deload",
    "rep_target",
)
FIELDS = (*FIELDS_OFF_BAR, "spotter", "safety_arms")

TargetOf = Callable[[InputValue], float]


@lru_cache(maxsize=64)
def ladders(policy: Policy) -> dict[str, tuple[float, ...]]:
    """Per numeric field the values worth trying, ascending: whole steps over the range that has an effect."""
    ends: dict[str, float] = {}
    for factor in policy.data.factors:
        if isinstance(factor.shape, Curve):
            for field in INPUTS[factor.inputs[0]].fields:
                ends[field] = max(ends.get(field, 0.0), factor.shape.xs[-1])
    ends["exposures"] = policy.data.accustoming.full_exposures
    ladders = {
        name: tuple(float(value) for value in range(int(ends.get(name, 0)) + 1))
        for name in (
            "exposures",
            "later_overlapping_sets",
            "hours_since_muscle_trained",
            "hours_until_muscle_trained",
        )
    }
    ladders["failure_share_7d"] = tuple(step / SHARE_STEPS for step in range(SHARE_STEPS + 1))
    return ladders


def _first_moved(values: Sequence[InputValue], target_of: TargetOf, present: float) -> InputValue:
    """First of `values` (ever further from now) whose target differs; None when none does.

    The target is monotone along `values`, so when the last does not move it, none does.
    """
    if not values or target_of(values[-1]) == present:
        return None
    low, high = 0, len(values) - 1
    while low < high:
        middle = (low + high) // 2
        if target_of(values[middle]) == present:
            low = middle + 1
        else:
            high = middle
    return values[low]


def _nearest(
    ladder: Sequence[float | int], now: float | None, target_of: TargetOf, present: float
) -> InputValue:
    """Value of the ascending `ladder` nearest to `now` that moves the target; the lower of equals."""
    if now is None:  # an unknown has no place on the ladder, so nothing is monotone around it
        return next((value for value in ladder if target_of(value) != present), None)
    below = _first_moved([v for v in reversed(ladder) if v < now], target_of, present)
    above = _first_moved([v for v in ladder if v > now], target_of, present)
    found = [value for value in (below, above) if isinstance(value, int | float)]
    return min(found, key=lambda value: abs(value - now), default=None)


def order_ladder(facts: Facts) -> range:
    """Places of the exercise worth trying, ascending."""
    return range(1, (facts.exercises_in_session or MOST_EXERCISES) + 1)


def _nearest_level(levels: Sequence[str], now: str, target_of: TargetOf, present: float) -> InputValue:
    """Level nearest to `now` along the order of `levels` that moves the target."""
    at = levels.index(now)
    others = sorted((n for n in range(len(levels)) if n != at), key=lambda n: abs(n - at))
    return next((levels[n] for n in others if target_of(levels[n]) != present), None)


def _smallest_move(levels: Sequence[str], now: str, target_of: TargetOf, present: float) -> InputValue:
    """Of levels without an order, the one that moves the target least; the first of equals."""
    moves = {level: abs(target_of(level) - present) for level in levels if level != now}
    return min((level for level in moves if moves[level]), key=lambda level: moves[level], default=None)


def _value(field: str, facts: Facts, policy: Policy, target_of: TargetOf, present: float) -> InputValue:
    now = getattr(facts, field)
    if field == "experience":
        return _nearest_level(EXPERIENCE_ASCENDING, now, target_of, present)
    if field == "goal":
        return _smallest_move(GOALS, now, target_of, present)
    if field == "exercise_order":
        return _nearest(order_ladder(facts), now, target_of, present)
    if field == "rep_target":
        return _nearest(range(1, MOST_REPS + 1), now, target_of, present)
    if field in FLAGS:
        return None if target_of(not now) == present else not now
    return _nearest(ladders(policy)[field], now, target_of, present)


def _change(field: str, facts: Facts, policy: Policy, standing: Standing, present: float) -> Change | None:
    seen: dict[InputValue, float] = {}

    def target_at(value: InputValue) -> float:
        if value not in seen:
            seen[value] = reserve_if(replace(facts, **{field: value}), policy, standing, field).target
        return seen[value]

    value = _value(field, facts, policy, target_at, present)
    return None if value is None else Change(field=field, value=value, target=seen[value])


@lru_cache(maxsize=2048)
def changes(facts: Facts, present: float, policy: Policy) -> tuple[Change, ...]:
    """Return at most one change per field, each of which moves the `present` target by half a rep or more."""
    fields = FIELDS if facts.under_bar else FIELDS_OFF_BAR
    standing = stand(facts, policy)
    found = (_change(field, facts, policy, standing, present) for field in fields)
    return tuple(change for change in found if change is not None)
