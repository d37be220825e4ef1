"""How many repetitions a load allows, and the inverse.

Reps to failure at a fraction p of 1RM: `1 + scale (1/p - 1)^exponent`: one repetition at 100 %, monotone,
exactly invertible. The scale, its exercise families, the between-person spread and their sources (Nuzzo et
al. 2024, doi 10.1007/s40279-023-01937-7; Mitter et al. 2022, PMC9070879) are policy data.
"""

from math import ceil, erf, sqrt

from service.rules.curves import interpolate
from service.rules.policy import Capacity

_WHOLE = 100.0  # percent


def _fraction(capacity: Capacity, load_percent_1rm: float) -> float:
    held = min(max(load_percent_1rm, capacity.lowest_percent), _WHOLE)
    return held / _WHOLE


def mean_reps_to_failure(
    capacity: Capacity, family: str, load_percent_1rm: float, personal_scale: float = 1.0
) -> float:
    """Mean repetitions to failure [repetitions, >= 1] at a load [% of 1RM].

    Loads below the policy's lowest percentage read as that percentage, loads above 100 as 100. `personal_scale` is a
    person's own factor on the curve's scale.
    """
    fraction = _fraction(capacity, load_percent_1rm)
    scale = capacity.scale * capacity.families[family].scale * personal_scale
    reps: float = 1.0 + scale * (1.0 / fraction - 1.0) ** capacity.exponent
    return reps


def sd_reps_to_failure(capacity: Capacity, family: str, load_percent_1rm: float) -> float:
    """Between-person standard deviation [repetitions] of the repetitions to failure at a load [% of 1RM]."""
    percent = _fraction(capacity, load_percent_1rm) * _WHOLE
    general = interpolate(capacity.sd_percents, capacity.sd_reps, percent)
    return general * capacity.families[family].scale


def percent_for_reps(capacity: Capacity, family: str, reps: float, personal_scale: float = 1.0) -> float:
    """Load [% of 1RM] at which the mean lifter fails after `reps` [repetitions]; 100 for one or fewer.

    `personal_scale` as in `mean_reps_to_failure`.
    """
    if reps <= 1.0:
        return _WHOLE
    scale = capacity.scale * capacity.families[family].scale * personal_scale
    percent: float = _WHOLE / (1.0 + ((reps - 1.0) / scale) ** (1.0 / capacity.exponent))
    return max(percent, capacity.lowest_percent)


def chance_below(mean: float, sd: float, reps: float) -> float:
    """Probability [0-1] that a normal variable (mean, sd) [repetitions] is below `reps`."""
    if sd <= 0.0:
        return 1.0 if mean < reps else 0.0
    return 0.5 * (1.0 + erf((reps - mean) / (sd * sqrt(2.0))))


def nearest_step(load_kg: float, step_kg: float) -> float:
    """Load [kg] on the equipment's steps nearest to `load_kg`, ties down."""
    steps = ceil(load_kg / step_kg - 0.5)
    return round(max(steps, 0) * step_kg, 6)
