"""The cast of the invented gym: who the lifters truly are, and what they train. Demo data, no source for anything."""

from pathlib import Path

from msgspec import Struct, structs

from service.policy.files import read_file
from service.rules.context import Caution, Experience, Goal

CAST = Path(__file__).with_name("demo_lifters.toml")


class Work(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One exercise of a session: working sets, and rep targets [repetitions] taken in turn by session."""

    exercise: str
    sets: int
    reps: tuple[int, ...]


class Change(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An exercise given up `days_ago` [days], for another or for none."""

    exercise: str
    days_ago: int
    to: str | None = None


class SafetyStop(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A session that ended `days_ago` [days] in the first set of an exercise."""

    exercise: str
    days_ago: int
    note: str


class Slump(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Repetitions [repetitions] that an exercise lacks from `days_ago` [days] on."""

    exercise: str
    days_ago: int
    reps: float


class Member(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One lifter as they truly are.

    `days` are the sessions of a week as days before its end, `away_days` ends the last week before now [days];
    strength stood still in the last `plateau_days` [days]. `curve_offset` is the natural logarithm of a factor on the
    capacity curve's scale, `form_spread` a share of the general repeatability, `personal_bias_reps` comes on top of
    the prior [repetitions]. In one of `calls_every` turns the last set is called and taken to failure, 0 = never.
    `newcomer`: had never done any of the exercises.
    """

    lifter_id: str
    story: str
    routine: str
    strength_factor: float
    experience: Experience
    goal: Goal
    cautions: tuple[Caution, ...] = ()
    weeks: int = 10
    away_days: int = 0
    days: tuple[int, ...] = (1, 3, 5)
    hour: int = 18
    gain_percent_per_week: float = 0.4
    plateau_days: int = 0
    curve_offset: float = 0.0
    form_spread: float = 1.0
    personal_bias_reps: float = 0.0
    calls_every: int = 0
    to_failure: bool = False
    newcomer: bool = False
    changes: tuple[Change, ...] = ()
    safety_stop: SafetyStop | None = None
    slump: Slump | None = None


class Cast(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`demo_lifters.toml`."""

    report_spread: float
    share_of_day: float
    share_of_set: float
    lost_reps_per_set: float
    lost_reps_per_failure: float
    one_rep_max_kg: dict[str, float]
    routines: dict[str, tuple[tuple[Work, ...], ...]]
    lifters: tuple[Member, ...]


def read_cast() -> Cast:
    """Return the cast on disk. Raises PolicyBroken for an unknown key or a wrong type."""
    return read_file(CAST, Cast)


def session_ages(member: Member) -> list[int]:
    """Return how long ago every session of the lifter was [days], oldest first."""
    weeks = range(member.weeks)
    ages = (member.away_days + 7 * week + day for week in weeks for day in member.days)
    return sorted(ages, reverse=True)


def works_at(cast: Cast, member: Member, index: int, age: int) -> tuple[Work, ...]:
    """Return the exercises of the lifter's session `index`, `age` [days] ago, as they had changed by then."""
    routine = cast.routines[member.routine]
    works = routine[index % len(routine)]
    for change in member.changes:
        if age <= change.days_ago:
            works = tuple(
                _changed(work, change) for work in works if work.exercise != change.exercise or change.to
            )
    return works


def _changed(work: Work, change: Change) -> Work:
    if work.exercise != change.exercise or change.to is None:
        return work
    return structs.replace(work, exercise=change.to)
