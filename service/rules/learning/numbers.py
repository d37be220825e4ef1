"""The numbers learning works with, as typed data. `service.policy.learning_numbers` reads them from a file."""

from typing import Annotated

from msgspec import Meta, Struct

from service.rules.policy import Sourced


class ReportPrior(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Reporting bias (true - reported) and spread per report [repetitions] for one condition."""

    up_to_reps: int
    up_to_reported: float
    mean: float
    sd: float


class Widening(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a circumstance adds to the mean [repetitions], and its factor on the spread."""

    add_mean: float
    sd_factor: float


class Exposure(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How much one session counts, and how much sessions with like exercises do."""

    easy_from_reserve: float
    easy_weight: float
    like_share: float
    source: Sourced


class Strength(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Filter for 1RM (natural logarithm) and personal capacity offset (logarithm of the curve's scale)."""

    drift_sd_per_week: float
    first_sd: float
    offset_sd: float
    offset_half_life_days: float
    repeat_percents: tuple[float, ...]
    repeat_sd_reps: tuple[float, ...]
    least_sd: float
    least_load_kg: Annotated[float, Meta(gt=0)]
    most_reps_to_failure: float
    gate_sd: float
    source: Sourced


class Reporting(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Prior of the reporting bias per condition, and how fast a lifter's own takes over."""

    priors: tuple[ReportPrior, ...]
    between_sd: float
    clip_reps: float
    not_from_reported: float
    reference_reps: int
    reference_reported: float
    novice: Widening
    first_set: Widening
    lower_body_free_weight: Widening
    lower_body_muscles: tuple[str, ...]
    source: Sourced


class Fatigue(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Failure counting, the stall sign, and how long a safety stop is heeded."""

    failure_days: int
    stall_drop_reps: float
    equal_load_share: float
    safety_stop_days: float
    source: Sourced


class Learning(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All numbers of learning. A new `version` makes every summary be rebuilt from the raw sets."""

    version: str
    session_gap_hours: float
    exposure: Exposure
    strength: Strength
    reporting: Reporting
    fatigue: Fatigue
