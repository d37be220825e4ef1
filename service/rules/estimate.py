"""Answers to questions about load and repetitions: 1RM with its error, reps at a load, load for reps."""

from difflib import get_close_matches
from functools import lru_cache
from math import hypot

from service.errors import Fault, InputRefused
from service.rules.answer import Spread
from service.rules.capacity import (
    chance_below,
    mean_reps_to_failure,
    nearest_step,
    percent_for_reps,
    sd_reps_to_failure,
)
from service.rules.compiled import Policy
from service.rules.estimates import (
    Interval,
    LoadEstimate,
    LoadQuery,
    OneRepMaxEstimate,
    OneRepMaxQuery,
    RepetitionsEstimate,
    RepetitionsQuery,
)

DECIMALS = 3
GENERAL = "general"


@lru_cache(maxsize=1024)
def unknown_exercise(exercise: str, policy: Policy) -> Fault:
    """Fault at `#/exercise` naming the catalogue ids that come near."""
    near = get_close_matches(exercise, policy.data.exercises, n=3, cutoff=0.5)
    hint = f"; near matches: {', '.join(near)}" if near else "; GET /v1/exercises lists all"
    return Fault("#/exercise", f"no exercise of this id in policy {policy.version}{hint}")


def _family(exercise: str | None, policy: Policy) -> str:
    if exercise is None:
        return GENERAL
    if exercise not in policy.data.exercises:
        raise InputRefused((unknown_exercise(exercise, policy),))
    return policy.data.families_by_exercise[exercise]


def estimate_one_rep_max(query: OneRepMaxQuery, policy: Policy) -> OneRepMaxEstimate:
    """Return the 1RM [kg] that fits a set of `reps` at `load_kg` with `reps_in_reserve` left.

    The error combines the between-person spread of repetitions at that load with the day-to-day
    repeatability of a 1RM. Raises InputRefused for an unknown exercise.
    """
    capacity = policy.data.capacity
    family = _family(query.exercise, policy)
    reps = query.reps + (query.reps_in_reserve or 0.0)
    percent = percent_for_reps(capacity, family, reps)
    mean = query.load_kg * 100.0 / percent
    spread = sd_reps_to_failure(capacity, family, percent)
    # one standard deviation of repetitions to either side, seen through the curve; half the width is the error
    heavy = percent_for_reps(capacity, family, max(1.0, reps - spread))
    light = percent_for_reps(capacity, family, reps + spread)
    from_reps = query.load_kg * (100.0 / light - 100.0 / heavy) / 2.0
    sd = hypot(from_reps, mean * capacity.one_rep_max_cv_percent / 100.0)
    margin = capacity.interval_z * sd
    basis = (
        f"{reps:g} repetitions to failure correspond to {percent:.1f} % of 1RM on the {family} curve; "
        f"spread between lifters there is {spread:.1f} repetitions"
    )
    if percent < capacity.extrapolates_below_percent:
        basis += f"; below {capacity.extrapolates_below_percent:g} % the curve extrapolates"
    interval = Interval(
        mean=round(mean, DECIMALS),
        sd=round(sd, DECIMALS),
        low=round(max(0.0, mean - margin), DECIMALS),
        high=round(mean + margin, DECIMALS),
    )
    return OneRepMaxEstimate(one_rep_max_kg=interval, basis=basis)


def estimate_repetitions(query: RepetitionsQuery, policy: Policy) -> RepetitionsEstimate:
    """Return repetitions to failure at a load, mean and between-person SD [repetitions].

    Raises InputRefused for an unknown exercise.
    """
    capacity = policy.data.capacity
    family = _family(query.exercise, policy)
    percent = query.load_percent_1rm
    spread = Spread(
        mean=round(mean_reps_to_failure(capacity, family, percent), DECIMALS),
        sd=round(sd_reps_to_failure(capacity, family, percent), DECIMALS),
    )
    return RepetitionsEstimate(reps_to_failure=spread)


def _step_kg(query: LoadQuery, policy: Policy) -> float:
    if query.step_kg is not None:
        return query.step_kg
    capacity = policy.data.capacity
    if query.exercise is None:
        return capacity.default_step_kg
    equipment = policy.data.exercises[query.exercise].equipment
    return capacity.step_kg.get(equipment, capacity.default_step_kg)


def estimate_load(query: LoadQuery, policy: Policy, personal_scale: float = 1.0) -> LoadEstimate:
    """Return the load [kg] at which the mean lifter has `reps_in_reserve` left after `rep_target`.

    Rounded to the nearest step (ties down), and never above the 1RM. `personal_scale` is a person's own factor on the
    curve's scale. Raises InputRefused for an unknown exercise.
    """
    capacity = policy.data.capacity
    family = _family(query.exercise, policy)
    step_kg = _step_kg(query, policy)
    reps = query.rep_target + (query.reps_in_reserve or 0.0)
    wanted_kg = query.one_rep_max_kg * percent_for_reps(capacity, family, reps, personal_scale) / 100.0
    load_kg = nearest_step(wanted_kg, step_kg)
    if load_kg > query.one_rep_max_kg:
        load_kg = round(max(0.0, load_kg - step_kg), 6)
    percent = 100.0 * load_kg / query.one_rep_max_kg
    mean = mean_reps_to_failure(capacity, family, percent, personal_scale)
    sd = sd_reps_to_failure(capacity, family, percent)
    return LoadEstimate(
        load_kg=load_kg,
        load_percent_1rm=round(percent, DECIMALS),
        chance_short=round(chance_below(mean, sd, reps), DECIMALS),
    )
