"""What the types of a performed set cannot say: the calendar, the catalogue, and members that belong together."""

from datetime import UTC, datetime, timedelta

from service.errors import Fault
from service.rules.compiled import Policy
from service.rules.estimate import unknown_exercise
from service.rules.learning.performed import PerformedSet, instant_of

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
AHEAD = timedelta(hours=48)  # clocks and time zones of phones


def _instant_fault(performed: PerformedSet, now: datetime, at: str) -> Fault | None:
    place = f"{at}/performed_at"
    try:
        instant = instant_of(performed.performed_at)
    except ValueError:
        return Fault(place, "the calendar has no such instant")
    if not EARLIEST <= instant <= now + AHEAD:
        return Fault(place, "must lie from 2000-01-01 to 48 h from now")
    return None


def faults_of_set(performed: PerformedSet, policy: Policy, now: datetime, at: str = "#") -> list[Fault]:
    """Return every fault the types cannot see; `at` is the set's own JSON Pointer."""
    found = [fault for fault in (_instant_fault(performed, now, at),) if fault is not None]
    if performed.exercise not in policy.data.exercises:
        found.append(Fault(f"{at}/exercise", unknown_exercise(performed.exercise, policy).detail))
    call = performed.rir_call
    if call is not None and call.at_rep > performed.reps:
        found.append(Fault(f"{at}/rir_call/at_rep", f"{call.at_rep} is more than reps ({performed.reps})"))
    return found
