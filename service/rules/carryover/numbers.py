"""The numbers carry-over works with, as typed data. `service.policy.carryover_numbers` reads them from a file."""

from typing import Annotated

from msgspec import Meta, Struct

from service.rules.policy import Sourced

Positive = Annotated[float, Meta(gt=0)]


class Dose(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a set deposits: `(reps / reference_reps)^reps_exponent / (1 + reps left)^reserve_exponent`.

    A set of `reference_reps` to failure is the dose 1. Repetitions above `most_reps` count as that many: longer sets
    were not measured.
    """

    reference_reps: Positive
    most_reps: Positive
    reps_exponent: Positive
    reserve_exponent: Positive
    source: Sourced


class Fast(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fatigue (log capacity) right after the dose 1, and the time in which it falls to 1/e [seconds]."""

    fatigue: Positive
    time_constant_seconds: Positive
    source: Sourced


class Slow(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fatigue (log capacity) that outlasts the session; `(1 - hours / gone_after_hours)^2` of it is left."""

    fatigue: Positive
    gone_after_hours: Positive
    source: Sourced


class Rest(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Rest after a set [seconds] that stands in where none was sent."""

    usual_seconds: Positive
    source: Sourced


class CarryOver(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All numbers of carry-over."""

    version: str
    dose: Dose
    fast: Fast
    slow: Slow
    rest: Rest
