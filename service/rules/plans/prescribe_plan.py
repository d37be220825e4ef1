"""A plan and what is known of the lifter in, every set prescribed out, with what closeness costs and an audit."""

from collections.abc import Sequence
from datetime import date, timedelta
from itertools import groupby, pairwise
from typing import Any, Literal

from service.rules.plans.answer import (
    DECIMALS,
    MuscleWeek,
    NumbersUsed,
    PlanAssumption,
    PlanWeek,
    PrescribedExercise,
    PrescribedPlan,
    PrescribedSession,
    PrescribedSet,
)
from service.rules.plans.audit import audit
from service.rules.plans.basis import PlanBasis
from service.rules.plans.moves import Settled, fractional_sets, settle
from service.rules.plans.placed import Placed
from service.rules.plans.plan import Plan
from service.rules.plans.scenarios import Trained, carry_over
from service.rules.plans.schedule import schedule
from service.rules.plans.start import Start
from service.rules.plans.walk import Stand
from service.rules.prescribe import prescribe

Detail = Literal["full", "brief"]


def _weeks(settled: Settled, basis: PlanBasis) -> tuple[PlanWeek, ...]:
    """Return counted sets and failure share by week and muscle, over the sets that are trained."""
    starts: dict[int, date] = {}
    for stand in settled.stands:
        monday = stand.slot.starts_at.date() - timedelta(days=stand.slot.starts_at.weekday())
        starts.setdefault(stand.slot.week, monday)
    below = basis.plans.failure_below_reps
    counted = fractional_sets(settled.trained)
    failed = fractional_sets([one for one in settled.trained if (one.stand.reserve_reps or 0.0) < below])
    return tuple(
        PlanWeek(
            starts_on=monday.isoformat(),
            muscles=tuple(
                MuscleWeek(
                    muscle=muscle,
                    fractional_sets=sets,
                    failure_share=round(failed.get((week, muscle), 0.0) / sets, DECIMALS),
                )
                for (at, muscle), sets in sorted(counted.items())
                if at == week
            ),
        )
        for week, monday in starts.items()
    )


def _assumptions(trained: Sequence[Trained], basis: PlanBasis) -> tuple[PlanAssumption, ...]:
    """Return what stood in for rests and loads that were not told. A session's last rest costs nothing."""
    followed = [one for one, after in pairwise(trained) if one.stand.slot.session == after.stand.slot.session]
    rests = sum(one.stand.slot.told.rest_seconds is None for one in followed)
    loads = sum(one.stand.slot.told.load_percent_1rm is None for one in trained)
    usual, texts = basis.carryover.rest.usual_seconds, basis.plans.assumed
    found = (
        ("rest_seconds", usual, rests, texts.rest_seconds.format(value=usual)),
        ("load_percent_1rm", None, loads, texts.load_percent_1rm),
    )
    return tuple(
        PlanAssumption(field=field, value=value, sets=sets, text=text)
        for field, value, sets, text in found
        if sets
    )


def _placed(stand: Stand) -> Placed:
    slot = stand.slot
    return Placed(
        session=slot.session,
        exercise_at=slot.exercise_at,
        set_at=slot.set_at,
        starts_at=slot.starts_at,
        week=slot.week,
        exercise=slot.exercise,
        told=slot.told,
        context=stand.context,
        prescription=stand.brief,
        target_reps=stand.target_reps,
        reserve_reps=stand.reserve_reps,
        deload=bool(slot.deload),
        cut=slot.cut,
    )


def _answered(stand: Stand, predicted_reps: float | None, detail: Detail, basis: PlanBasis) -> PrescribedSet:
    prescription: Any = stand.brief if detail == "brief" else prescribe(stand.context, basis.policy)
    return PrescribedSet(
        prescription=prescription,
        context_used=stand.context,
        predicted_reps=None if predicted_reps is None else round(predicted_reps, DECIMALS),
        cut=stand.slot.cut,
    )


def _sessions(
    settled: Settled, predicted: Sequence[float], detail: Detail, basis: PlanBasis
) -> tuple[PrescribedSession, ...]:
    reps = {one.place: each for one, each in zip(settled.trained, predicted, strict=True)}
    told = [
        (stand.slot, _answered(stand, reps.get(place), detail, basis))
        for place, stand in enumerate(settled.stands)
    ]
    return tuple(
        PrescribedSession(
            exercises=tuple(
                PrescribedExercise(exercise=entries[0][0].exercise.id, sets=tuple(one for _, one in entries))
                for _, group in groupby(session, key=lambda entry: entry[0].exercise_at)
                if (entries := list(group))
            )
        )
        for _, session in groupby(told, key=lambda entry: entry[0].session)
    )


def prescribe_plan(plan: Plan, start: Start, basis: PlanBasis, detail: Detail) -> PrescribedPlan:
    """Return every set of a valid plan prescribed, with what earlier work costs, weeks, warnings and moves.

    Pure: the same input gives the same bytes. Each set's prescription is that of its context alone. Work grows with
    the number of sets; limits on failure repeat it a bounded number of times. Expects a plan that
    `rules.plans.validity.faults_of_plan` finds nothing wrong with.
    """
    settled = settle(schedule(plan, basis), start, plan.limits, basis)
    costs, predicted = carry_over(settled.trained, basis)
    share_limit = None if plan.limits is None else plan.limits.failure_share_per_muscle_7d
    return PrescribedPlan(
        sessions=_sessions(settled, predicted, detail, basis),
        carryover=costs,
        weeks=_weeks(settled, basis),
        warnings=audit([_placed(stand) for stand in settled.stands], basis.plans, share_limit),
        allocation=settled.allocation,
        assumptions=_assumptions(settled.trained, basis),
        policy=basis.policy.ref,
        numbers=NumbersUsed(
            carryover=basis.carryover.version,
            plans=basis.plans.version,
            learning=basis.learning.version,
        ),
    )
