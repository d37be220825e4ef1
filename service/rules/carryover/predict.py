"""Repetitions each set of a plan completes, and which earlier work took the rest.

The model, for a set of fresh capacity C [repetitions to failure], reserve q and rep target n:

    F_m   = sum over earlier doses d of muscle m:  d (fast e^(-rest / tau) + slow (1 - hours / 48)^2)
    F     = the greatest of share_m F_m: the most tired muscle is the one that gives out
    C'    = C e^(-F)                            capacity left; never negative, never above C
    reps  = max(0, min(n, C' - q))              stops at the reserve or the rep target, whichever comes first
    left  = min(C', max(q, C' - n))             what is in reserve when it ends
    dose  = (p / reference)^eta (1 + left)^-rho    p = min(n, C - q): the repetitions it was planned to be
    d_m   = dose x share_m                      to every muscle it trains

To failure ignoring the rep target: reps = p = C' and C, left = 0. The fast part acts within a session, where time is
the rest taken; the slow part acts within a session in full and from session start to session start after that.

Why so. Losses multiply (log capacity adds), so no amount of work makes capacity negative and each further set of a
series costs less than the one before, as in the published series. The dose falls with the repetitions left at the
end, not with those done, and its length is the planned one: a tired set, which does less, costs at least as much as
a fresh one. That is what makes the laws hold: more fatigue before a set never means less after it, so closeness to
failure never raises, and rest never lowers, what a later set completes. The price: a set whose reserve leaves no
repetition to do still costs what it was planned to cost.

What may be relied on, when one set moves closer to failure (smaller reserve, or failure itself): earlier sets stay as
they were; every later set completes the same or fewer, so the total without the moved set never rises; the moved set
gains exactly what it no longer leaves in reserve, and the total rises by no more than that. A total that counts this
gain can rise: one set alone shows it. It never rises where closeness comes from a heavier load and the set completes
its rep target all the same, nor where the rep target ended the set anyway (then nothing changes).

Valid for rests of 1 to 5 min, as measured. Just after a set to failure no repetition is left by definition, yet the
fast part takes less than half of the capacity: below a minute the loss is understated.
"""

from collections.abc import Iterable
from math import exp

from msgspec import Struct

from service.rules.carryover.numbers import CarryOver
from service.rules.carryover.state import (
    MuscleFatigue,
    deposit,
    enter_session,
    fatigue_of,
    sources_of,
)


class PlannedSet(Struct, frozen=True, kw_only=True):
    """One set. `source` names what is to be blamed for its cost, such as its exercise in its session.

    `muscles` are shares 0-1; `reps_in_reserve` None is failure, whatever the rep target; `capacity_reps` is the mean
    number of repetitions to failure when fresh. `session_starts_at_seconds` counts from any fixed instant (whole
    seconds keep 48 h exact); sets with the same one are one session. Rest is taken after the set [seconds]; None
    where it is not known.
    """

    source: str
    session_starts_at_seconds: float
    muscles: dict[str, float]
    rep_target: int
    reps_in_reserve: float | None
    capacity_reps: float
    rest_seconds: float | None = None


class Payment(Struct, frozen=True):
    """Capacity [repetitions] a set lost to an earlier source; None pools sources beyond the latest 32 of a muscle."""

    source: str | None
    reps_lost: float


class PredictedSet(Struct, frozen=True, kw_only=True):
    """What becomes of one set [repetitions]; `paid_by` adds up to the capacity lost.

    `fresh_reps` would be completed without earlier work. `limited_by` is the muscle that gives out first, None when
    nothing is lost; only work that trained it is in `paid_by`.
    """

    predicted_reps: float
    fresh_reps: float
    capacity_reps: float
    reps_left: float
    limited_by: str | None
    paid_by: tuple[Payment, ...]


def _completed(planned: PlannedSet, capacity_reps: float) -> float:
    if planned.reps_in_reserve is None:
        return capacity_reps
    return max(0.0, min(float(planned.rep_target), capacity_reps - planned.reps_in_reserve))


def _left(planned: PlannedSet, capacity_reps: float) -> float:
    if planned.reps_in_reserve is None:
        return 0.0
    return min(capacity_reps, max(planned.reps_in_reserve, capacity_reps - planned.rep_target))


def _dose(planned: PlannedSet, capacity_reps: float, numbers: CarryOver) -> float:
    by = numbers.dose
    length = min(_completed(planned, planned.capacity_reps), by.most_reps) / by.reference_reps
    dose: float = length**by.reps_exponent / (1.0 + _left(planned, capacity_reps)) ** by.reserve_exponent
    return dose


def _payments(parts: dict[str | None, float], lost: float) -> tuple[Payment, ...]:
    whole = sum(parts.values())
    if lost <= 0.0 or whole <= 0.0:  # fatigue too small to tell
        return ()
    return tuple(Payment(source, lost * part / whole) for source, part in parts.items() if part > 0.0)


def _limit(
    planned: PlannedSet, muscles: dict[str, MuscleFatigue], at_seconds: float, numbers: CarryOver
) -> tuple[float, str | None]:
    """Fatigue (log capacity) that acts on the set, and the muscle it comes from."""
    worst, limited_by = 0.0, None
    for name, share in planned.muscles.items():
        muscle = muscles.get(name)
        if muscle is None:
            continue
        enter_session(muscle, planned.session_starts_at_seconds, numbers)
        acting = share * fatigue_of(muscle, at_seconds, numbers)
        if acting > worst:
            worst, limited_by = acting, name
    return worst, limited_by


def _one(
    planned: PlannedSet, muscles: dict[str, MuscleFatigue], at_seconds: float, numbers: CarryOver
) -> PredictedSet:
    """Return what becomes of the set, and leave its dose in its muscles."""
    fatigue, limited_by = _limit(planned, muscles, at_seconds, numbers)
    capacity = planned.capacity_reps * exp(-fatigue)
    lost = planned.capacity_reps - capacity
    parts = sources_of(muscles[limited_by], at_seconds, numbers) if limited_by is not None else {}
    dose = _dose(planned, capacity, numbers)
    for name, share in planned.muscles.items():
        if share * dose > 0.0:
            muscle = muscles.setdefault(name, MuscleFatigue())
            enter_session(muscle, planned.session_starts_at_seconds, numbers)
            deposit(muscle, planned.source, share * dose, at_seconds, numbers)
    return PredictedSet(
        predicted_reps=_completed(planned, capacity),
        fresh_reps=_completed(planned, planned.capacity_reps),
        capacity_reps=capacity,
        reps_left=_left(planned, capacity),
        limited_by=limited_by if lost > 0.0 else None,
        paid_by=_payments(parts, lost),
    )


def predict(sets: Iterable[PlannedSet], numbers: CarryOver) -> tuple[PredictedSet, ...]:
    """Return what becomes of each set, in the same order: that of time, sessions by their start.

    Raises ValueError where a session starts before the one listed ahead of it.
    """
    muscles: dict[str, MuscleFatigue] = {}
    predicted: list[PredictedSet] = []
    session, at_seconds = float("-inf"), 0.0
    for planned in sets:
        if planned.session_starts_at_seconds < session:
            raise ValueError("sessions must be listed in order of their start")
        if planned.session_starts_at_seconds > session:
            session, at_seconds = planned.session_starts_at_seconds, 0.0
        predicted.append(_one(planned, muscles, at_seconds, numbers))
        rest = planned.rest_seconds
        at_seconds += numbers.rest.usual_seconds if rest is None else rest
    return tuple(predicted)
