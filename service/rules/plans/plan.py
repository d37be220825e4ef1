"""What a caller sends as a plan: sessions in order of time, exercises and sets in order. Wire format and input."""

from typing import Annotated

from msgspec import Meta, Struct

from service.rules.context import (
    MOST_EXERCISES,
    Cautions,
    Experience,
    Goal,
    Identifier,
    LoadPercent,
    PolicyVersion,
    RepTarget,
)
from service.rules.learning.performed import Instant

MOST_SESSIONS, MOST_SETS = 60, 3000
MOST_WEEKS = 52
MOST_PROGRESSION_REPS = 3
Reserve = Annotated[float, Meta(ge=0, le=10)]
Shift = Annotated[float, Meta(ge=-MOST_PROGRESSION_REPS, le=MOST_PROGRESSION_REPS)]


class PlanSet(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One working set of a plan."""

    rep_target: RepTarget
    load_percent_1rm: LoadPercent | None = None
    rest_seconds: (
        Annotated[float, Meta(ge=0, le=86_400, description="Rest after the set [seconds].")] | None
    ) = None
    reps_in_reserve: (
        Annotated[Reserve, Meta(description="Reserve the caller proposes for this set [repetitions].")] | None
    ) = None


class PlanExercise(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One exercise of a session and its working sets."""

    exercise: Annotated[Identifier, Meta(description="Catalogue id.")]
    sets: Annotated[tuple[PlanSet, ...], Meta(min_length=1, max_length=MOST_EXERCISES)]


class PlanSession(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One session: when it starts, and its exercises in order."""

    starts_at: Annotated[Instant, Meta(description="Start of the session, in the lifter's own offset.")]
    deload: Annotated[bool, Meta(description="True for a session of easier training.")] | None = None
    exercises: Annotated[tuple[PlanExercise, ...], Meta(min_length=1, max_length=MOST_EXERCISES)]


class PlanLifter(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who the plan is for; what is left out counts as neutral."""

    experience: Annotated[Experience, Meta(description="Training experience.")] | None = None
    goal: Annotated[Goal, Meta(description="What the training is for.")] | None = None
    cautions: Cautions | None = None
    exposures: (
        Annotated[
            dict[Identifier, Annotated[float, Meta(ge=0, le=10_000)]],
            Meta(
                max_length=300,
                description="Earlier sessions by exercise [sessions]; one not in it is new. Left out: accustomed.",
            ),
        ]
        | None
    ) = None
    spotter: Annotated[bool, Meta(description="True when a competent spotter stands by.")] | None = None
    safety_arms: (
        Annotated[bool, Meta(description="True when safety arms or pins would catch the bar.")] | None
    ) = None


class PlanLimits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How much failure the plan may hold; sets over a limit are moved away from failure where they cost most."""

    failure_share_per_muscle_7d: (
        Annotated[
            float,
            Meta(ge=0, le=1, description="Largest share of a muscle's sets of a week at failure [0-1]."),
        ]
        | None
    ) = None
    failure_sets_per_session: (
        Annotated[int, Meta(ge=0, le=900, description="Most sets at failure in one session.")] | None
    ) = None


class Progression(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the distance changes from week to week, in straight lines; weeks are numbered from the first session's."""

    weeks: Annotated[int, Meta(ge=1, le=MOST_WEEKS, description="Weeks from the first shift to the last.")]
    start_shift_reps: (
        Annotated[Shift, Meta(description="Added to targets in the first week [repetitions].")] | None
    ) = None
    end_shift_reps: (
        Annotated[Shift, Meta(description="Added to targets in the last week [repetitions].")] | None
    ) = None
    deload_weeks: (
        Annotated[
            tuple[Annotated[int, Meta(ge=1, le=MOST_WEEKS)], ...],
            Meta(
                max_length=MOST_WEEKS,
                description="Weeks of easier training.",
                extra_json_schema={"uniqueItems": True},
            ),
        ]
        | None
    ) = None


class Plan(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A session, a week or a block."""

    lifter: PlanLifter | None = None
    sessions: Annotated[
        tuple[PlanSession, ...],
        Meta(
            min_length=1,
            max_length=MOST_SESSIONS,
            description=f"In order of time; up to {MOST_SETS} sets together.",
        ),
    ]
    limits: PlanLimits | None = None
    progression: Progression | None = None
    policy: (
        Annotated[PolicyVersion, Meta(description="Policy version to use; default: the newest.")] | None
    ) = None


def pointer_of(session: int, exercise_at: int, set_at: int | None = None) -> str:
    """Return the JSON Pointer of an exercise of a plan, or of a set of it; places count from 0."""
    exercise = f"/sessions/{session}/exercises/{exercise_at}"
    return exercise if set_at is None else f"{exercise}/sets/{set_at}"
