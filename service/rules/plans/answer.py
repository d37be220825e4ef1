"""What the service answers for a plan. Repetitions are means of the model, given to three decimals."""

from typing import Annotated, Any

from msgspec import Meta, Struct

from service.rules.answer import PolicyRef
from service.rules.context import SetContext
from service.rules.plans.allocate import Limit
from service.rules.plans.audit_warning import PlanWarning

DECIMALS = 3

AnyPrescription = Annotated[
    Any,  # Prescription or BriefPrescription: msgspec knows no union of plain Structs
    Meta(
        description="As the single call answers; `detail` says whether in full.",
        extra_json_schema={
            "anyOf": [
                {"$ref": "#/components/schemas/Prescription"},
                {"$ref": "#/components/schemas/BriefPrescription"},
            ]
        },
    ),
]


class PrescribedSet(Struct, frozen=True, kw_only=True):
    """One set of the plan, in its place."""

    prescription: AnyPrescription
    context_used: Annotated[
        SetContext,
        Meta(description="Sent to /v1/prescriptions it gives the identical prescription."),
    ]
    predicted_reps: Annotated[
        float | None,
        Meta(
            description="What the lifter completes as prescribed, earlier work counted: to the target or the rep "
            "target, whichever comes first [repetitions]. Null for a set that is cut or without a target."
        ),
    ]
    cut: Annotated[bool, Meta(description="True for a set to leave out: a deload holds fewer.")]


class PrescribedExercise(Struct, frozen=True, kw_only=True):
    """One exercise of a session."""

    exercise: str
    sets: tuple[PrescribedSet, ...]


class PrescribedSession(Struct, frozen=True, kw_only=True):
    """One session, in the plan's order."""

    exercises: tuple[PrescribedExercise, ...]


class Paid(Struct, frozen=True, kw_only=True, rename={"from_exercise": "from", "to_exercise": "to"}):
    """Repetitions one exercise does not complete because of an earlier one."""

    from_exercise: Annotated[str, Meta(description="JSON Pointer of the exercise that costs.")]
    to_exercise: Annotated[str, Meta(description="JSON Pointer of the exercise that pays.")]
    muscles: Annotated[tuple[str, ...], Meta(description="The muscles that gave out.")]
    reps_lost: Annotated[float, Meta(ge=0, description="Not completed [repetitions].")]


class Scenario(Struct, frozen=True, kw_only=True):
    """The whole plan done in one way."""

    total_reps: Annotated[float, Meta(ge=0, description="Completed in all [repetitions].")]
    total_load_reps: Annotated[
        float | None,
        Meta(
            description="Sum of repetitions times load [repetitions x % of 1RM]; null unless every set has a load."
        ),
    ]
    paid_by: Annotated[
        tuple[Paid, ...], Meta(description="Which exercise pays for which; sets of one exercise left out.")
    ]


class CarryOverAnswer(Struct, frozen=True, kw_only=True):
    """What going closer costs later, in three ways of doing the plan."""

    as_prescribed: Scenario
    all_to_failure: Annotated[Scenario, Meta(description="Every set to failure, whatever its rep target.")]
    as_proposed: Annotated[
        Scenario | None,
        Meta(description="With the caller's own reserves; null when the plan proposes none."),
    ]


class MuscleWeek(Struct, frozen=True, kw_only=True):
    """One muscle in one week."""

    muscle: str
    fractional_sets: Annotated[
        float, Meta(description="Sets counted by share, direct 1.0, indirect 0.5 [sets].")
    ]
    failure_share: Annotated[float, Meta(ge=0, le=1, description="Of these planned to end at failure [0-1].")]


class PlanWeek(Struct, frozen=True, kw_only=True):
    """One ISO week in the sessions' own offset."""

    starts_on: Annotated[str, Meta(description="Its Monday.", extra_json_schema={"format": "date"})]
    muscles: tuple[MuscleWeek, ...]


class MovedSet(Struct, frozen=True, kw_only=True):
    """A set moved away from failure to keep a limit."""

    pointer: Annotated[str, Meta(description="JSON Pointer of the set.")]
    limit: Annotated[Limit, Meta(description="The limit it would break beside the sets kept at failure.")]
    muscle: Annotated[str | None, Meta(description="Whose share that is; null for a session's limit.")]
    cost_reps: Annotated[
        float, Meta(ge=0, description="Later sets would not complete these because of it [repetitions].")
    ]
    text: Annotated[str, Meta(max_length=140)]


class AllocationAnswer(Struct, frozen=True, kw_only=True):
    """Which sets stay at failure under the plan's limits: as many as fit, then those that cost later sets least."""

    kept: Annotated[tuple[str, ...], Meta(description="JSON Pointers of the sets that stay at failure.")]
    moves: tuple[MovedSet, ...]
    optimal: Annotated[bool, Meta(description="True when nothing better exists; else within a known bound.")]


class PlanAssumption(Struct, frozen=True, kw_only=True):
    """A value that stood in for one left out, and in how many sets."""

    field: str
    value: float | None
    sets: int
    text: Annotated[str, Meta(max_length=140)]


class NumbersUsed(Struct, frozen=True, kw_only=True):
    """Versions of the numbers beside the policy."""

    carryover: str
    plans: str
    learning: str


class PrescribedPlan(Struct, frozen=True, kw_only=True):
    """Every set prescribed, what closeness costs, and what an experienced coach would mend."""

    sessions: tuple[PrescribedSession, ...]
    carryover: CarryOverAnswer
    weeks: tuple[PlanWeek, ...]
    warnings: tuple[PlanWarning, ...]
    allocation: Annotated[AllocationAnswer | None, Meta(description="Null without limits.")]
    assumptions: tuple[PlanAssumption, ...]
    policy: PolicyRef
    numbers: NumbersUsed
