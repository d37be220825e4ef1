"""What the types of a performed set cannot say: the present, the catalogue, and members that belong together."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from service.errors import Fault
from service.rules.compiled import Policy
from service.rules.estimate import unknown_exercise
from service.rules.learning.performed import ReserveCall, instant_of

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
AHEAD = timedelta(hours=48)  # clocks and time zones of phones


def _call_fault(call: ReserveCall, reps: int, at: str) -> Fault | None:
    if call.at_rep <= reps:
        return None
    return Fault(f"{at}/rir_call/at_rep", f"{call.at_rep} is more than reps ({reps})")


def faults_of_set(members: Mapping[str, Any], policy: Policy, now: datetime, at: str = "#") -> list[Fault]:
    """Return every fault the types cannot see; `at` is the set's own JSON Pointer.

    `members` are those of a PerformedSet that are sound by themselves; what is missing is not looked at.
    """
    found = []
    if "performed_at" in members and not EARLIEST <= instant_of(members["performed_at"]) <= now + AHEAD:
        found.append(Fault(f"{at}/performed_at", "must lie from 2000-01-01 to 48 h from now"))
    exercise = members.get("exercise")
    if exercise is not None and exercise not in policy.data.exercises:
        found.append(Fault(f"{at}/exercise", unknown_exercise(exercise, policy).detail))
    call, reps = members.get("rir_call"), members.get("reps")
    if (
        isinstance(call, ReserveCall)
        and reps is not None
        and (fault := _call_fault(call, reps, at)) is not None
    ):
        found.append(fault)
    return found
