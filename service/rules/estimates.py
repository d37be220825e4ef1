"""Questions about load and repetitions, and their answers."""

from typing import Annotated

from msgspec import Meta, Struct

from service.rules.answer import Spread
from service.rules.context import Identifier, LoadPercent, RepTarget

LoadKg = Annotated[float, Meta(gt=0, le=2000, description="Load [kg].")]
Reserve = Annotated[
    float, Meta(ge=0, le=10, description="True repetitions in reserve [repetitions]; default 0.")
]
ExerciseId = Annotated[Identifier, Meta(description="Catalogue id; without it the general curve is used.")]


class OneRepMaxQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A set that was done: load, repetitions and what was left."""

    load_kg: LoadKg
    reps: Annotated[int, Meta(ge=1, le=50, description="Repetitions completed [repetitions].")]
    reps_in_reserve: Reserve | None = None
    exercise: ExerciseId | None = None


class RepetitionsQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A load as a share of the one-repetition maximum."""

    load_percent_1rm: LoadPercent
    exercise: ExerciseId | None = None


class LoadQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What load fits these repetitions with that reserve."""

    one_rep_max_kg: Annotated[float, Meta(gt=0, le=2000, description="One-repetition maximum [kg].")]
    rep_target: RepTarget
    reps_in_reserve: Reserve | None = None
    exercise: ExerciseId | None = None
    step_kg: (
        Annotated[
            float,
            Meta(
                ge=0.01,
                le=100,
                description="Smallest step of the equipment [kg]; default: usual for the equipment.",
            ),
        ]
        | None
    ) = None


class Interval(Struct, frozen=True, kw_only=True):
    """Mean, standard deviation and 90 % interval [kg]."""

    mean: float
    sd: float
    low: float
    high: float


class OneRepMaxEstimate(Struct, frozen=True, kw_only=True):
    """Estimated one-repetition maximum with its error, and what it rests on."""

    one_rep_max_kg: Interval
    basis: str


class RepetitionsEstimate(Struct, frozen=True, kw_only=True):
    """Repetitions to failure at the load."""

    reps_to_failure: Spread


class LoadEstimate(Struct, frozen=True, kw_only=True):
    """The load to use, rounded to the equipment's step, and the chance that it is too heavy."""

    load_kg: float
    load_percent_1rm: float
    chance_short: Annotated[float, Meta(ge=0, le=1)]
