"""One performed set, as apps report it. Wire format and input of the learning rules alike."""

from datetime import UTC, datetime
from typing import Annotated, Literal
from uuid import UUID

from msgspec import Meta, Struct

from service.rules.context import Identifier, Place

SetEndpoint = Literal[
    "planned_stop",
    "self_determined_rm",
    "momentary_failure",
    "technical_failure",
    "volitional_stop",
    "safety_stop",
]
# RFC 3339 with `T` and an offset, in this century, days as the calendar has them; a leap second is refused.
_DAY = (
    r"(?:20[0-9]{2}-(?:(?:0[13578]|1[02])-(?:0[1-9]|[12][0-9]|3[01])|(?:0[469]|11)-(?:0[1-9]|[12][0-9]|30)"
    r"|02-(?:0[1-9]|1[0-9]|2[0-8]))|20(?:[02468][048]|[13579][26])-02-29)"
)
# `\Z`, not `$`: see context.py.
INSTANT_PATTERN = (
    rf"^{_DAY}T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]{{1,9}})?"
    r"(?:Z|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9])\Z"
)
LONGEST_INSTANT = 35  # nine digits of a second, and an offset
INSTANT_TOLD = "an instant with `T` and an offset, 2000 to 2099, such as 2026-11-25T18:30:00+01:00"
Instant = Annotated[
    str,
    Meta(
        pattern=INSTANT_PATTERN,
        max_length=LONGEST_INSTANT,
        description="Instant, RFC 3339 with `T` and an offset.",
        extra={"told": INSTANT_TOLD},
        extra_json_schema={"format": "date-time"},
    ),
]
MOST_RESERVE = 10


class ReserveCall(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A count called out during the set: at repetition `at_rep` the lifter said `reps_left` were left."""

    at_rep: Annotated[int, Meta(ge=1, le=200, description="Repetition at which it was said, 1 = first.")]
    reps_left: Annotated[
        float, Meta(ge=0, le=MOST_RESERVE, description="Repetitions said to be left [repetitions].")
    ]


class SetAsDone(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One working set as it was done, without its id. Repetitions leave out a failed attempt."""

    performed_at: Annotated[Instant, Meta(description="When the set ended: 2000-01-01 to now + 48 h.")]
    exercise: Annotated[Identifier, Meta(description="Catalogue id.")]
    load_kg: Annotated[float, Meta(ge=0, le=1000, description="Load [kg]; 0 = bodyweight only.")]
    reps: Annotated[int, Meta(ge=0, le=200, description="Repetitions completed [repetitions].")]
    set_endpoint: Annotated[SetEndpoint, Meta(description="How the set ended.")]
    reported_rir: (
        Annotated[
            float,
            Meta(ge=0, le=MOST_RESERVE, description="Reserve the lifter reported after it [repetitions]."),
        ]
        | None
    ) = None
    rir_call: ReserveCall | None = None
    prescribed_rir: (
        Annotated[
            float, Meta(ge=0, le=MOST_RESERVE, description="Target the set was to end at [repetitions].")
        ]
        | None
    ) = None
    exercise_order: Place | None = None
    set_order: Place | None = None
    velocity_loss_percent: (
        Annotated[float, Meta(ge=0, le=100, description="Loss of bar speed within the set [%].")] | None
    ) = None
    note: Annotated[str, Meta(max_length=500, pattern=r"^[^\x00]*\Z")] | None = None


class PerformedSet(SetAsDone, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One working set as it was done. Repetitions leave out a failed attempt."""

    set_id: Annotated[UUID, Meta(description="Chosen by the caller; made when left out.")] | None = None


def local_instant_of(text: str) -> datetime:
    """Return an instant of INSTANT_PATTERN in its own offset. Finer than a microsecond is cut off.

    Raises ValueError for what is none.
    """
    head, _, tail = text.partition(".")
    if tail:
        digits = tail[: next(n for n, c in enumerate(tail) if not c.isdigit())]
        text = f"{head}.{digits[:6].ljust(6, '0')}{tail[len(digits) :]}"
    return datetime.fromisoformat(text)


def instant_of(text: str) -> datetime:
    """Return an instant of INSTANT_PATTERN, in UTC. Raises ValueError as `local_instant_of` does."""
    try:
        return local_instant_of(text).astimezone(UTC)
    except OverflowError as error:
        raise ValueError(f"{text} is out of range") from error
