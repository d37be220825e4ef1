"""What is known of one lifter: small rows that a store keeps and `fold.learn` carries forward.

Instants are microseconds since 1970 in UTC: whole numbers, so that stored and recomputed rows are equal.
"""

from datetime import UTC, datetime

from msgspec import Struct, field

Micros = int
MICROS_PER_SECOND = 1_000_000
MICROS_PER_HOUR = 3600 * MICROS_PER_SECOND
MICROS_PER_DAY = 24 * MICROS_PER_HOUR
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def micros_of(instant: datetime) -> Micros:
    """Return an aware instant as microseconds since 1970."""
    since = instant - EPOCH
    return (since.days * 86_400 + since.seconds) * MICROS_PER_SECOND + since.microseconds


class StrengthKnown(Struct, frozen=True, kw_only=True):
    """Mean and covariance of (log 1RM [kg], log capacity offset) at an instant."""

    at: Micros
    log_1rm: float
    offset: float
    var_1rm: float
    var_offset: float
    covariance: float
    sets: int


class SessionBest(Struct, frozen=True, kw_only=True):
    """Most repetitions to failure [repetitions] per load [kg] in one session."""

    started_at: Micros
    reps_by_load: dict[str, float]


class ExerciseKnown(Struct, frozen=True, kw_only=True):
    """One exercise: protection from earlier sessions, the latest sessions, strength."""

    sets: int = 0
    exposures: float = 0.0
    session_weight: float = 0.0
    started_at: Micros | None = None
    last_at: Micros | None = None
    previous_last_at: Micros | None = None
    previous_exposures: float = 0.0
    strength: StrengthKnown | None = None
    bests: tuple[SessionBest, ...] = ()


class HourCount(Struct, frozen=True, array_like=True):
    """Fractional sets and fractional failure sets within one hour (hours since 1970)."""

    hour: int
    sets: float
    failures: float


class MuscleKnown(Struct, frozen=True, kw_only=True):
    """One muscle: when it was trained, and its sets by hour over the days that failure is counted."""

    started_at: Micros | None = None
    last_at: Micros | None = None
    previous_last_at: Micros | None = None
    hours: tuple[HourCount, ...] = ()


class WeekExercise(Struct, frozen=True, kw_only=True):
    """What was prescribed and done with one exercise in one week, as sums over its sets."""

    sets: int = 0
    endpoints: dict[str, int] = field(default_factory=dict)
    compared: int = 0
    prescribed_sum: float = 0.0
    done_sum: float = 0.0
    verified: int = 0
    bias_sum: float = 0.0


class WeekKnown(Struct, frozen=True, kw_only=True):
    """One ISO week (UTC) by exercise, and fractional sets and failures by muscle."""

    exercises: dict[str, WeekExercise] = field(default_factory=dict)
    muscles: dict[str, HourCount] = field(default_factory=dict)


class LifterKnown(Struct, frozen=True, kw_only=True):
    """What is not tied to an exercise: counts, the newest set, bias as precision-weighted sums."""

    sets: int = 0
    newest_at: Micros | None = None
    newest_id: str | None = None
    safety_stop_at: Micros | None = None
    bias_precision: float = 0.0
    bias_weighted: float = 0.0
    verified_sets: int = 0


class Known(Struct, kw_only=True):
    """Everything known of one lifter, or the part of it that was loaded. Rows are replaced, not changed."""

    lifter: LifterKnown = field(default_factory=LifterKnown)
    exercises: dict[str, ExerciseKnown] = field(default_factory=dict)
    muscles: dict[str, MuscleKnown] = field(default_factory=dict)
    weeks: dict[str, WeekKnown] = field(default_factory=dict)
