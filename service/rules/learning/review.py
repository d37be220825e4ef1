"""Prescribed against done, week by week: what a coach looks at to learn whether targets are met."""

from datetime import date, timedelta
from typing import Annotated

from msgspec import Meta, Struct

from service.rules.learning.known import EPOCH, Known, Micros, WeekExercise, WeekKnown

DECIMALS = 3
DAYS_PER_WEEK = 7


class ExerciseReview(Struct, frozen=True, kw_only=True):
    """One exercise in one week. Means are null where no set had both a target and a known reserve."""

    exercise: str
    sets: int
    set_endpoints: Annotated[dict[str, int], Meta(description="Sets by how they ended.")]
    compared_sets: Annotated[int, Meta(description="Sets with a target and a known reserve.")]
    prescribed_rir_mean: float | None
    done_rir_mean: float | None
    difference_mean: Annotated[
        float | None,
        Meta(description="Done minus prescribed [repetitions]; positive is further from failure."),
    ]


class MuscleReview(Struct, frozen=True, kw_only=True):
    """One muscle in one week, counted by share."""

    muscle: str
    fractional_sets: float
    failure_share: Annotated[float, Meta(ge=0, le=1)]


class WeekReview(Struct, frozen=True, kw_only=True):
    """One ISO week (UTC)."""

    week: str
    starts_on: str
    exercises: tuple[ExerciseReview, ...]
    muscles: tuple[MuscleReview, ...]
    verified_sets: Annotated[
        int, Meta(description="Sets whose end shows how far the lifter's count was off.")
    ]
    bias_mean_reps: Annotated[
        float | None, Meta(description="True minus reported reserve in them [repetitions].")
    ]


class Review(Struct, frozen=True, kw_only=True):
    """The latest weeks, oldest first; weeks without sets are left out."""

    lifter_id: str
    weeks: tuple[WeekReview, ...]


def _mean(total: float, count: int) -> float | None:
    return round(total / count, DECIMALS) + 0.0 if count else None


def _exercise(name: str, row: WeekExercise) -> ExerciseReview:
    return ExerciseReview(
        exercise=name,
        sets=row.sets,
        set_endpoints=dict(sorted(row.endpoints.items())),
        compared_sets=row.compared,
        prescribed_rir_mean=_mean(row.prescribed_sum, row.compared),
        done_rir_mean=_mean(row.done_sum, row.compared),
        difference_mean=_mean(row.done_sum - row.prescribed_sum, row.compared),
    )


def monday_of(week: str) -> date:
    """Return the first day of an ISO week such as `2026-W48`."""
    year, number = week.split("-W")
    return date.fromisocalendar(int(year), int(number), 1)


def weeks_until(at: Micros, count: int) -> tuple[str, ...]:
    """Return the `count` ISO weeks (UTC) up to the one `at` lies in, oldest first."""
    day = (EPOCH + timedelta(microseconds=at)).date()
    days = [day - timedelta(days=DAYS_PER_WEEK * back) for back in reversed(range(count))]
    return tuple(f"{year}-W{week:02d}" for year, week, _ in (d.isocalendar() for d in days))


def _week(name: str, row: WeekKnown) -> WeekReview:
    verified = sum(exercise.verified for exercise in row.exercises.values())
    bias = sum(exercise.bias_sum for exercise in row.exercises.values())
    return WeekReview(
        week=name,
        starts_on=monday_of(name).isoformat(),
        exercises=tuple(_exercise(key, row.exercises[key]) for key in sorted(row.exercises)),
        muscles=tuple(
            MuscleReview(
                muscle=key,
                fractional_sets=round(count.sets, DECIMALS),
                failure_share=round(count.failures / count.sets, DECIMALS) if count.sets else 0.0,
            )
            for key, count in sorted(row.muscles.items())
        ),
        verified_sets=verified,
        bias_mean_reps=_mean(bias, verified),
    )


def review_of(lifter_id: str, known: Known, weeks: tuple[str, ...]) -> Review:
    """Return the review of those of `weeks` that hold sets."""
    return Review(
        lifter_id=lifter_id,
        weeks=tuple(_week(name, known.weeks[name]) for name in weeks if name in known.weeks),
    )
