"""A performed set as a row: the instant in UTC, the offset it was written with beside it."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

from sqlalchemy import Row

from service.rules.learning.known import EPOCH, Micros
from service.rules.learning.performed import PerformedSet, ReserveCall, instant_of
from service.storage.schema import performed_sets

# Columns that hold a member as it is.
_AS_IT_IS = (
    "set_id",
    "exercise",
    "load_kg",
    "reps",
    "set_endpoint",
    "reported_rir",
    "prescribed_rir",
    "exercise_order",
    "set_order",
    "velocity_loss_percent",
    "note",
)
CONTENT = [column for column in performed_sets.c if column.name not in ("tenant_id", "lifter_id")]


def row_of(tenant_id: UUID, lifter_id: str, performed: PerformedSet) -> dict[str, Any]:
    """The columns of a valid set. Raises ValueError when it has no `set_id`."""
    if performed.set_id is None:
        raise ValueError("a set is stored under its set_id")
    call = performed.rir_call
    return {name: getattr(performed, name) for name in _AS_IT_IS} | {
        "tenant_id": tenant_id,
        "lifter_id": lifter_id,
        "performed_at": instant_of(performed.performed_at),
        "utc_offset_minutes": _offset_minutes(performed.performed_at),
        "rir_call_at_rep": None if call is None else call.at_rep,
        "rir_call_reps_left": None if call is None else call.reps_left,
    }


def performed_of(row: Row[Any]) -> PerformedSet:
    """The set a row of `CONTENT` holds; its time in the offset it came with, to the microsecond."""
    stored = row._asdict()
    offset = timezone(timedelta(minutes=stored["utc_offset_minutes"]))
    call = None
    if stored["rir_call_at_rep"] is not None:
        call = ReserveCall(at_rep=stored["rir_call_at_rep"], reps_left=stored["rir_call_reps_left"])
    return PerformedSet(
        performed_at=stored["performed_at"].astimezone(offset).isoformat().replace("+00:00", "Z"),
        rir_call=call,
        **{name: stored[name] for name in _AS_IT_IS},
    )


def same_content(one: PerformedSet, other: PerformedSet) -> bool:
    """True when every member is equal; times are equal when they are the same instant, in whatever offset."""
    if one is other:
        return True
    members = (name for name in PerformedSet.__struct_fields__ if name != "performed_at")
    return instant_of(one.performed_at) == instant_of(other.performed_at) and all(
        getattr(one, name) == getattr(other, name) for name in members
    )


def instant_at(micros: Micros) -> datetime:
    """The instant so many microseconds after 1970, in UTC; the first or last one there is when out of range."""
    earliest, latest = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
    try:
        return EPOCH + timedelta(microseconds=micros)
    except OverflowError:
        return earliest if micros < 0 else latest


def _offset_minutes(instant: str) -> int:
    if instant.endswith("Z"):
        return 0
    sign, hours, minutes = instant[-6], instant[-5:-3], instant[-2:]
    return int(f"{sign}{int(hours) * 60 + int(minutes)}")
