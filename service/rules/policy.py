"""The numbers a prescription is computed from, as typed data. `service.policy` reads them from files."""

from typing import Annotated, Literal

from msgspec import Meta, Struct

from service.rules.answer import Grade, Severity
from service.rules.context import Equipment, Experience, Goal, Joints
from service.rules.curves import Curve, Grid, Table

Stage = Literal["sum", "after_window"]
Status = Literal["abstract", "secondary", "from_memory"]
Direction = Literal["rising", "falling"]


class Sourced(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a number comes from. A grade other than judgement or common practice needs evidence keys."""

    grade: Grade
    evidence: tuple[str, ...]
    basis: Annotated[str, Meta(min_length=1)]


class Factor(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One influence on the target: inputs in, an effect in repetitions out.

    `place` orders the ledger. `stage` says whether it acts before or after the rep band's window. A
    positive effect of a `stay_away` factor keeps discounts in check; a negative effect of a `discount`
    factor is what is kept in check.
    """

    name: str
    title: str
    unit: Literal["repetitions"]
    place: int
    stage: Stage
    stay_away: bool
    discount: bool
    inputs: tuple[str, ...]
    monotone: dict[str, Direction]
    shape: Table | Curve | Grid
    source: Sourced


class Window(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Lowest and highest target [repetitions] of a band of rep targets, for hypertrophy, before the goal."""

    from_reps: int
    to_reps: int
    low: float
    high: float
    high_when_new: float
    text_low: str
    text_high: str
    source: Sourced


class Floor(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Least reserve [repetitions] where a caution, a goal or an unspotted bar calls for it.

    `code` is a caution, `goal_<goal>`, or `under_bar_unspotted`. `up_to_reps` limits it to short sets.
    """

    code: str
    reps: float
    text: str
    source: Sourced
    up_to_reps: int | None = None


class CautionText(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is said when a caution applies. `withholds` means no target is given at all."""

    code: str
    severity: Severity
    text: str
    withholds: bool = False


class Neutral(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The value that stands in for a field that was left out."""

    goal: Goal
    experience: Experience
    exposures: float
    days_since_last_exposure: float
    hours_since_muscle_trained: float
    hours_until_muscle_trained: float
    failure_share_7d: float
    joints: Joints


class Defaults(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Neutral values, and per field how their use is told to the caller."""

    values: Neutral
    texts: dict[str, str]
    source: Sourced


class Limits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What holds the sum of effects in bounds."""

    windows: tuple[Window, ...]
    floors: tuple[Floor, ...]
    discount_slack_reps: float
    discount_text: str
    discount_source: Sourced
    rounding_step_reps: float
    rounding_text: str
    rounding_source: Sourced
    range_half_width_reps: float
    too_light_margin_reps: float
    withheld_text: str
    withheld_source: Sourced


class Family(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Exercises that allow more or fewer repetitions than the general curve, as a factor on it."""

    scale: Annotated[float, Meta(gt=0)]
    source: Sourced


class Capacity(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Repetitions to failure at a share of 1RM: `1 + scale (1/p - 1)^exponent`, p the fraction of 1RM."""

    scale: Annotated[float, Meta(gt=0)]
    exponent: Annotated[float, Meta(gt=0)]
    lowest_percent: Annotated[float, Meta(gt=0)]
    sd_percents: tuple[float, ...]
    sd_reps: tuple[float, ...]
    one_rep_max_cv_percent: float
    interval_z: float
    default_step_kg: float
    step_kg: dict[Equipment, float]
    extrapolates_below_percent: float
    families: dict[str, Family]
    source: Sourced


class VelocityBand(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Loss of bar speed within the set [%] that goes with targets up to `up_to_reserve`."""

    up_to_reserve: float
    low_percent: float
    high_percent: float


class Cues(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Words for the lifter on when to stop."""

    reps_text: str
    reps_failure_text: str
    reps_text_beyond_scale: str
    technique_text: str
    velocity_text: str
    velocity_from_reps: int
    velocity_to_reps: int
    velocity_equipment: tuple[Equipment, ...]
    velocity_bands: tuple[VelocityBand, ...]
    source: Sourced


class Accustoming(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How earlier sessions count: capped at `full_exposures`, times what absence leaves of them."""

    full_exposures: float
    retention_days: tuple[float, ...]
    retention_share: tuple[float, ...]
    source: Sourced


class Muscle(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A muscle or muscle group by its anatomical name."""

    id: str
    name: str


class Exercise(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A generic exercise. `muscles` maps muscle ids to shares: direct 1.0, indirect 0.5."""

    id: str
    name: str
    joints: Joints
    equipment: Equipment
    under_bar: Annotated[bool, Meta(description="A failed repetition can pin the lifter under the bar.")]
    muscles: dict[str, float]


class Evidence(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One source: what was found, what it licenses, what it does not."""

    key: str
    citation: str
    year: Annotated[int | None, Meta(description="Null where it is not known.")] = None
    design: str
    finding: str
    licenses: str
    limits: str
    grade: Grade
    status: Annotated[Status, Meta(description="How far the figures were checked against the source.")]
    doi: str | None = None


class PolicyData(Struct, frozen=True, kw_only=True):
    """One version of all numbers. `digest` is over the bytes of its files."""

    version: str
    digest: str
    valid_from: str
    factors: tuple[Factor, ...]
    limits: Limits
    cautions: tuple[CautionText, ...]
    defaults: Defaults
    accustoming: Accustoming
    capacity: Capacity
    cues: Cues
    muscles: dict[str, Muscle]
    exercises: dict[str, Exercise]
    families_by_exercise: dict[str, str]
    evidence: dict[str, Evidence]
