"""What a caller tells about one working set. These Structs are the wire format and the core's input alike."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

Experience = Literal["novice", "intermediate", "advanced"]
Goal = Literal["hypertrophy", "strength", "power", "local_endurance"]
Joints = Literal["multi", "single"]
Equipment = Literal["barbell", "dumbbell", "machine", "cable", "bodyweight", "band"]
Caution = Literal[
    "first_session",
    "under_18",
    "age_65_or_over",
    "pregnancy",
    "hypertension_not_controlled",
    "heart_or_vessel_condition",
    "recent_injury_or_surgery",
    "warning_signs",
]

MOST_REPS = 50
MOST_EXERCISES = 30
MOST_SHIFT_REPS = 5

# `\Z`, not `$`: in Python `$` also matches before a final newline. The document publishes `$`.
Identifier = Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9_]{0,63}\Z", max_length=64)]
PolicyVersion = Annotated[str, Meta(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}\Z", max_length=10)]
RepTarget = Annotated[
    int, Meta(ge=1, le=MOST_REPS, description="Repetitions planned for this set [repetitions].")
]
Place = Annotated[int, Meta(ge=1, le=MOST_EXERCISES)]
LoadPercent = Annotated[
    float, Meta(gt=0, le=100, description="Load as a share of the one-repetition maximum [% of 1RM].")
]
Cautions = Annotated[
    tuple[Caution, ...],
    Meta(
        max_length=8,
        description="What calls for care with this lifter today.",
        extra_json_schema={"uniqueItems": True},
    ),
]
Hours = Annotated[float, Meta(ge=0, le=10_000)]


class ExerciseTraits(Struct, frozen=True, kw_only=True, gc=False, forbid_unknown_fields=True):
    """What matters about an exercise that is not in the catalogue."""

    joints: Annotated[
        Joints, Meta(description="`multi` when two or more joints move under load, else `single`.")
    ]
    equipment: Annotated[Equipment, Meta(description="What is lifted.")] | None = None
    under_bar: (
        Annotated[bool, Meta(description="True when a failed rep can pin the lifter under the bar.")] | None
    ) = None
    muscles: (
        Annotated[
            dict[Identifier, Annotated[float, Meta(ge=0, le=1)]],
            Meta(
                max_length=30,
                description="Share of each muscle [0-1]: 1.0 trained directly, 0.5 indirectly.",
            ),
        ]
        | None
    ) = None


class ReportingBias(Struct, frozen=True, kw_only=True, gc=False, forbid_unknown_fields=True):
    """How far this lifter's own count of repetitions in reserve is off: true minus reported [repetitions]."""

    mean_reps: Annotated[
        float, Meta(ge=-5, le=5, description="Mean of true minus reported reserve [repetitions].")
    ]
    sd_reps: Annotated[float, Meta(ge=0, le=5, description="Standard deviation of that mean [repetitions].")]


# No cycles can be made of what JSON holds, so the garbage collector need not look (`gc=False`).
class SetContext(Struct, frozen=True, kw_only=True, gc=False, forbid_unknown_fields=True):
    """One working set to prescribe for. Only `rep_target` is required; what is left out counts as neutral."""

    rep_target: RepTarget
    load_percent_1rm: LoadPercent | None = None
    exercise: Annotated[Identifier, Meta(description="Catalogue id, e.g. `barbell_bench_press`.")] | None = (
        None
    )
    exercise_traits: ExerciseTraits | None = None
    exercise_order: (
        Annotated[Place, Meta(description="Place of the exercise in the session, 1 = first.")] | None
    ) = None
    exercises_in_session: Annotated[Place, Meta(description="Exercises in the session.")] | None = None
    set_order: Annotated[Place, Meta(description="Place of the set in the exercise, 1 = first.")] | None = (
        None
    )
    sets_in_exercise: Annotated[Place, Meta(description="Working sets of this exercise.")] | None = None
    later_overlapping_sets: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=100,
                description="Sets still to come today that train the same muscles, counted by muscle share "
                "(direct 1.0, indirect 0.5) [sets].",
            ),
        ]
        | None
    ) = None
    experience: Annotated[Experience, Meta(description="Training experience.")] | None = None
    exposures: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=10_000,
                description="Earlier sessions with this exercise [sessions]; 0 = new to the lifter.",
            ),
        ]
        | None
    ) = None
    days_since_last_exposure: (
        Annotated[
            float,
            Meta(ge=0, le=10_000, description="Days since the last session with this exercise [days]."),
        ]
        | None
    ) = None
    goal: Annotated[Goal, Meta(description="What the training is for.")] | None = None
    hours_since_muscle_trained: (
        Annotated[Hours, Meta(description="Hours since the same muscles were last trained [hours].")] | None
    ) = None
    hours_until_muscle_trained: (
        Annotated[Hours, Meta(description="Hours until the same muscles are trained again [hours].")] | None
    ) = None
    failure_share_7d: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=1,
                description="Share of the muscle's sets of the last 7 days taken to failure [0-1].",
            ),
        ]
        | None
    ) = None
    deload: Annotated[bool, Meta(description="True in a deload week.")] | None = None
    plan_shift_reps: (
        Annotated[
            float,
            Meta(
                ge=-MOST_SHIFT_REPS,
                le=MOST_SHIFT_REPS,
                description="Asked of this set by a whole plan: its progression, or a limit on failure "
                "[repetitions]; positive is further from failure.",
            ),
        ]
        | None
    ) = None
    spotter: Annotated[bool, Meta(description="True when a competent spotter stands by.")] | None = None
    safety_arms: (
        Annotated[bool, Meta(description="True when safety arms or pins would catch the bar.")] | None
    ) = None
    cautions: Cautions | None = None
    reporting_bias: ReportingBias | None = None
    policy: (
        Annotated[PolicyVersion, Meta(description="Policy version to use; default: the newest.")] | None
    ) = None
