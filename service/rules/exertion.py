"""Ratings of perceived exertion on the reserve scale.

Source: Zourdos et al. 2016, doi 10.1519/JSC.0000000000001049.
"""

from functools import lru_cache

from service.rules.answer import ExertionRange, ReserveRange

_MAXIMAL_RPE = 10.0
_HIGHEST_COUNTABLE_RESERVE = 5.0


def rpe_of(reserve_reps: float) -> float | None:
    """RPE for a reserve of 0-5 [repetitions]; None above 5, where the scale has words but no number.

    A stored reserve of 0.5 is RPE 9.5: no repetition left, but slightly more load was possible.
    """
    if reserve_reps > _HIGHEST_COUNTABLE_RESERVE:
        return None
    return _MAXIMAL_RPE - reserve_reps


@lru_cache(maxsize=1024)
def exertion_range(reserve: ReserveRange) -> ExertionRange:
    """Return the range as RPE; the low end belongs to the high end of the reserve."""
    return ExertionRange(target=rpe_of(reserve.target), low=rpe_of(reserve.high), high=rpe_of(reserve.low))
