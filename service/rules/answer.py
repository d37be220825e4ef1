"""What the service answers for one working set. Every number is in the unit its name ends with."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

Decision = Literal["prescribe", "withhold"]
Grade = Literal[
    "meta_analysis", "trial", "acute_study", "observational", "consensus", "judgement", "common_practice"
]
Severity = Literal["info", "warning", "critical"]
Conflict = Literal["too_heavy", "too_light"]
InputValue = str | float | bool | None | list[str]


# No cycles can be made of what an answer holds, so the garbage collector need not look (`gc=False`).
class ReserveRange(Struct, frozen=True, kw_only=True, gc=False):
    """Repetitions in reserve [repetitions]: full repetitions that could still be done when the set ends."""

    target: Annotated[float, Meta(ge=0, description="Aim for this many, in half repetitions.")]
    low: Annotated[float, Meta(ge=0, description="Come no closer to failure than this.")]
    high: Annotated[float, Meta(ge=0, description="Stay no further away than this.")]


class ExertionRange(Struct, frozen=True, kw_only=True, gc=False):
    """The same as ratings of perceived exertion on the reserve scale; null where the scale has no number."""

    target: float | None
    low: Annotated[float | None, Meta(description="Belongs to the high end of the reserve.")]
    high: Annotated[float | None, Meta(description="Belongs to the low end of the reserve.")]


class Reason(Struct, frozen=True, kw_only=True, gc=False):
    """One entry of the ledger. The effects of all reasons add up to exactly the target."""

    factor: str
    effect_reps: Annotated[
        float, Meta(description="Added to the target [repetitions]; positive is further from failure.")
    ]
    text: Annotated[str, Meta(max_length=140)]
    grade: Annotated[Grade, Meta(description="How strong the support for this entry is.")]
    evidence: Annotated[tuple[str, ...], Meta(description="Keys of the evidence register.")]
    input: Annotated[dict[str, InputValue], Meta(description="The values this entry was computed from.")]


class Spread(Struct, frozen=True, kw_only=True, gc=False):
    """Mean and between-person standard deviation [repetitions]."""

    mean: float
    sd: float


class Expected(Struct, frozen=True, kw_only=True, gc=False):
    """What the average lifter can do at this load, and how sure the target is to be reachable."""

    reps_to_failure: Spread
    reps_at_target: Annotated[
        int, Meta(ge=0, description="Repetitions after which the mean lifter has `target` left.")
    ]
    chance_short: Annotated[
        float,
        Meta(ge=0, le=1, description="Probability that `rep_target` cannot be done with `low` in reserve."),
    ]
    conflict: Annotated[Conflict | None, Meta(description="Set when load and rep target cannot both hold.")]


class Adjustment(Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """One way to make load and rep target agree: keep one, change the other."""

    keep: Literal["load", "reps"]
    rep_target: Annotated[int, Meta(ge=1, le=50)] | None = None
    load_percent_1rm: Annotated[float, Meta(gt=0, le=100)] | None = None


class StopCue(Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """When to end the set, in words for the lifter."""

    kind: Literal["reps", "technique", "velocity_loss"]
    text: str
    low_percent: float | None = None
    high_percent: float | None = None


class CautionNote(Struct, frozen=True, kw_only=True, gc=False):
    """Something to heed. `critical` means: do not train on this answer."""

    code: str
    severity: Severity
    text: str


class Assumption(Struct, frozen=True, kw_only=True, gc=False):
    """A field that was left out and the value used in its place."""

    field: str
    value: InputValue
    text: str


class Change(Struct, frozen=True, kw_only=True, gc=False):
    """The nearest value of one field that would move the target by half a repetition or more."""

    field: str
    value: InputValue
    target: float


class PolicyRef(Struct, frozen=True, kw_only=True, gc=False):
    """Which numbers were used: version and digest pin them for ever."""

    version: str
    digest: str


class BriefPrescription(Struct, frozen=True, kw_only=True, gc=False):
    """What an app shows on every set (`detail=brief`)."""

    decision: Decision
    reps_in_reserve: ReserveRange | None
    rpe: ExertionRange | None
    reasons: tuple[Reason, ...]
    cautions: tuple[CautionNote, ...]
    policy: PolicyRef


class Prescription(Struct, frozen=True, kw_only=True, gc=False):
    """How close to failure one set should be taken, and why."""

    decision: Annotated[Decision, Meta(description="`withhold`: no target is given; see `cautions`.")]
    reps_in_reserve: ReserveRange | None
    rpe: ExertionRange | None
    reported_reps_in_reserve: Annotated[
        float | None, Meta(description="What the lifter should say, when a reporting bias is known.")
    ]
    reasons: tuple[Reason, ...]
    expected: Annotated[Expected | None, Meta(description="Null when no load was sent.")]
    adjustments: tuple[Adjustment, ...]
    stop_cues: tuple[StopCue, ...]
    cautions: tuple[CautionNote, ...]
    assumptions: tuple[Assumption, ...]
    what_would_change_it: tuple[Change, ...]
    policy: PolicyRef
