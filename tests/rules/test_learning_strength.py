"""The filter of strength, against the textbook's matrices: slopes by finite differences, nothing of its own algebra."""

import random
from collections.abc import Callable
from math import exp, log

import numpy as np
import pytest

from service.rules.capacity import mean_reps_to_failure
from service.rules.learning.known import MICROS_PER_DAY
from service.rules.learning.strength import (
    Measured,
    learn_strength,
    one_rep_max_kg,
    repeat_sd,
    strength_at,
)
from tests.rules.lifters import NUMBERS, POLICY, at, micros

CAPACITY, STRENGTH = POLICY.data.capacity, NUMBERS.strength
FAMILIES = sorted(CAPACITY.families)


def log_max(load_kg: float, reps: float, log_scale: float) -> float:
    """Log of the 1RM that a set of `reps` to failure speaks for, by the curve of the policy."""
    return log(load_kg) + log(1 + ((reps - 1) / exp(log_scale)) ** (1 / CAPACITY.exponent))


def slope(function: Callable[[float], float], where: float, step: float = 1e-5) -> float:
    """Central difference."""
    return (function(where + step) - function(where - step)) / (2 * step)


def textbook(sets: list[Measured], family: str) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of (log 1RM, offset) after `sets`: predict, then update, as in any book on the filter."""
    general = log(CAPACITY.scale * CAPACITY.families[family].scale)
    mean = np.array([log_max(sets[0].load_kg, sets[0].reps, general), 0.0])
    covariance, before = np.diag([STRENGTH.first_sd**2, STRENGTH.offset_sd**2]), sets[0].at
    for done in sets:
        days = (done.at - before) / MICROS_PER_DAY
        kept = 0.5 ** (days / STRENGTH.offset_half_life_days)
        move = np.diag([1.0, kept])
        drift = [days / 7 * STRENGTH.drift_sd_per_week**2, (1 - kept**2) * STRENGTH.offset_sd**2]
        mean, covariance, before = move @ mean, move @ covariance @ move.T + np.diag(drift), done.at
        scale = general + mean[1]
        expected = 1 + exp(scale) * max(exp(mean[0]) / done.load_kg - 1, 0) ** CAPACITY.exponent
        seen = np.array([1.0, -slope(lambda s, d=done, n=expected: log_max(d.load_kg, n, s), scale)])
        per_rep = slope(lambda reps, d=done, s=scale: log_max(d.load_kg, reps, s), done.reps)
        surprise = log_max(done.load_kg, done.reps, scale) - mean[0]
        spread = seen @ covariance @ seen + STRENGTH.least_sd**2 + (per_rep * done.sd_reps) ** 2
        spread = max(spread, (surprise / STRENGTH.gate_sd) ** 2)
        gain = covariance @ seen / spread
        mean, covariance = mean + gain * surprise, covariance - np.outer(gain, seen) @ covariance
    return mean, covariance


def random_sets(rnd: random.Random) -> list[Measured]:
    """Eight sets within some weeks, the sixth far from what the others say."""
    days = sorted(rnd.uniform(0, 200) for _ in range(8))
    loads = [rnd.uniform(60, 95) * (2.5 if place == 5 else 1) for place in range(8)]
    return [
        Measured(at=micros(at(day)), load_kg=load, reps=rnd.uniform(2, 15), sd_reps=rnd.uniform(0.5, 3))
        for day, load in zip(days, loads, strict=True)
    ]


@pytest.mark.parametrize("family", FAMILIES)
def test_strength_is_learned_as_a_kalman_filter_does(family: str) -> None:
    """Mean, variances and covariance after random sets, wild ones among them, and later still."""
    rnd = random.Random(family)
    for _ in range(20):
        sets = random_sets(rnd)
        known = None
        for done in sets:
            known = learn_strength(known, done, CAPACITY, family, STRENGTH)
        assert known is not None
        mean, covariance = textbook(sets, family)
        assert (known.log_1rm, known.offset) == pytest.approx(tuple(mean), rel=1e-6, abs=1e-7)
        learned = (known.var_1rm, known.covariance, known.var_offset)
        assert learned == pytest.approx(
            (covariance[0, 0], covariance[0, 1], covariance[1, 1]), rel=1e-4, abs=1e-8
        )
        assert known.sets == len(sets)


def test_a_single_to_failure_is_the_1rm() -> None:
    """One repetition and no more: the load is the mean, in every family, and stays it; only the error grows."""
    for family in FAMILIES:
        single = Measured(at=micros(at()), load_kg=140, reps=1, sd_reps=0.7)
        known = learn_strength(None, single, CAPACITY, family, STRENGTH)
        later = strength_at(known, micros(at(28)), STRENGTH)
        assert one_rep_max_kg(later)[0] == pytest.approx(140)
        weeks_of_drift = 4 * STRENGTH.drift_sd_per_week**2
        assert one_rep_max_kg(later)[1] == pytest.approx(140 * (known.var_1rm + weeks_of_drift) ** 0.5)


@pytest.mark.parametrize(("percent", "sd"), [(95, 0.7), (90, 0.7), (80, 0.9), (70, 1.1), (60, 1.1)])
def test_repetitions_vary_by_the_load_they_are_done_at(percent: float, sd: float) -> None:
    """SEM 0.7 at 90 % and 1.1 at 70 % (Mitter 2022, PMC9070879, abstract), a line between, in every family."""
    for family in FAMILIES:
        reps = mean_reps_to_failure(CAPACITY, family, percent)
        assert repeat_sd(reps, CAPACITY, family, STRENGTH) == pytest.approx(sd)
