"""1RM and personal capacity as a Kalman filter with drift.

State: natural logarithm of the 1RM [kg] and of a personal factor on the curve's scale (the capacity offset). A set of
load L that would fail after n repetitions says `log 1RM = log L + log(1 + (n-1 / scale)^(1/exponent))`; read as a
measurement of both states (Jacobian 1 and k below) its noise is the repeatability of n (Mitter 2022, PMC9070879) plus
the error of the reported reserve, so sets far from failure and long sets weigh little. Two linear-Gaussian states are
the smallest model that gives the 1RM an honest spread: with one alone, many high-rep sets would look like certainty
though the person's curve is unknown. The 1RM drifts as a random walk; the offset forgets towards the general curve.
"""

from math import exp, log, sqrt

from msgspec import Struct

from service.rules.curves import interpolate
from service.rules.learning.known import MICROS_PER_DAY, Micros, StrengthKnown
from service.rules.learning.numbers import Strength
from service.rules.policy import Capacity

DAYS_PER_WEEK = 7.0


class Measured(Struct, frozen=True, kw_only=True):
    """A set as evidence: it would have failed after `reps` [repetitions], give or take `sd_reps`."""

    at: Micros
    load_kg: float
    reps: float
    sd_reps: float


def _passed(known: StrengthKnown, at: Micros, numbers: Strength) -> StrengthKnown:
    days = max(0, at - known.at) / MICROS_PER_DAY
    kept = 0.5 ** (days / numbers.offset_half_life_days)
    return StrengthKnown(
        at=max(at, known.at),
        log_1rm=known.log_1rm,
        offset=known.offset * kept,
        var_1rm=known.var_1rm + numbers.drift_sd_per_week**2 * days / DAYS_PER_WEEK,
        var_offset=known.var_offset * kept**2 + numbers.offset_sd**2 * (1.0 - kept**2),
        covariance=known.covariance * kept,
        sets=known.sets,
    )


def _excess(reps: float, scale: float, capacity: Capacity) -> float:
    """1RM over load, minus one, at which the curve allows `reps` [repetitions]."""
    return float((max(reps - 1.0, 0.0) / scale) ** (1.0 / capacity.exponent))


def _sensitivity(excess: float, capacity: Capacity) -> float:
    """Change of the log 1RM a set speaks for, per unit of log scale; per log repetition beyond the first alike."""
    return excess / capacity.exponent / (1.0 + excess)


def repeat_sd(reps: float, capacity: Capacity, family: str, numbers: Strength) -> float:
    """Day-to-day spread [repetitions] of one person's repetitions to failure."""
    excess = _excess(reps, capacity.scale * capacity.families[family].scale, capacity)
    return interpolate(numbers.repeat_percents, numbers.repeat_sd_reps, 100.0 / (1.0 + excess))


def learn_strength(
    known: StrengthKnown | None, measured: Measured, capacity: Capacity, family: str, numbers: Strength
) -> StrengthKnown:
    """Return the filter's state after one more set.

    A surprise beyond the data's gate counts as noise: the set is weighed down until it is no further than the gate.
    """
    general = capacity.scale * capacity.families[family].scale
    if known is None:
        known = StrengthKnown(
            at=measured.at,
            log_1rm=log(measured.load_kg) + log(1.0 + _excess(measured.reps, general, capacity)),
            offset=0.0,
            var_1rm=numbers.first_sd**2,
            var_offset=numbers.offset_sd**2,
            covariance=0.0,
            sets=0,
        )
    before = _passed(known, measured.at, numbers)
    excess = _excess(measured.reps, general * exp(before.offset), capacity)
    surprise = log(measured.load_kg) + log(1.0 + excess) - before.log_1rm
    # Sensitivity where the state expects the set, not where noise put it: else noise would teach the offset.
    expected = max(exp(before.log_1rm) / measured.load_kg - 1.0, 0.0)
    k = _sensitivity(expected, capacity)
    per_rep = _sensitivity(excess, capacity) / max(measured.reps - 1.0, 1.0)
    state_var = before.var_1rm + 2.0 * k * before.covariance + k**2 * before.var_offset
    noise = numbers.least_sd**2 + (per_rep * measured.sd_reps) ** 2
    noise = max(noise, (surprise / numbers.gate_sd) ** 2 - state_var)
    spread = state_var + noise
    gain_1rm = (before.var_1rm + k * before.covariance) / spread
    gain_offset = (before.covariance + k * before.var_offset) / spread
    return StrengthKnown(
        at=before.at,
        log_1rm=before.log_1rm + gain_1rm * surprise,
        offset=before.offset + gain_offset * surprise,
        var_1rm=max(before.var_1rm - gain_1rm**2 * spread, 0.0),
        var_offset=max(before.var_offset - gain_offset**2 * spread, 0.0),
        covariance=before.covariance - gain_1rm * gain_offset * spread,
        sets=known.sets + 1,
    )


def strength_at(known: StrengthKnown, at: Micros, numbers: Strength) -> StrengthKnown:
    """Return the state as it stands at a later instant: wider by the drift."""
    return _passed(known, at, numbers)


def one_rep_max_kg(known: StrengthKnown) -> tuple[float, float]:
    """Mean and SD [kg] of the 1RM, from its logarithm."""
    mean = exp(known.log_1rm)
    return mean, mean * sqrt(known.var_1rm)
