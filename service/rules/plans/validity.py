"""What the types of a plan cannot say: the catalogue, the order of time, and members that belong together."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.errors import Fault
from service.rules.compiled import Policy
from service.rules.estimate import unknown_exercise
from service.rules.learning.performed import instant_of
from service.rules.plans.plan import MOST_SETS


def _member(of: Any, name: str) -> Any:
    """Return a member of a Struct, or of the sound members of one; None when it is not there."""
    return of.get(name) if isinstance(of, Mapping) else getattr(of, name, None)


def _repeated(entries: Sequence[Any] | None, at: str) -> Iterator[Fault]:
    for index, entry in enumerate(entries or ()):
        if entry is not None and entry in (entries or ())[:index]:
            yield Fault(f"{at}/{index}", f"{entry} is repeated; send each once")


def _lifter(lifter: Any, policy: Policy) -> Iterator[Fault]:
    yield from _repeated(_member(lifter, "cautions"), "#/lifter/cautions")
    for exercise in _member(lifter, "exposures") or ():
        if exercise not in policy.data.exercises:
            yield Fault(f"#/lifter/exposures/{exercise}", unknown_exercise(exercise, policy).detail)


def _exercises(exercises: Any, policy: Policy, at: str) -> Iterator[Fault]:
    for index, exercise in enumerate(exercises or ()):
        name = _member(exercise, "exercise")
        if name is not None and name not in policy.data.exercises:
            yield Fault(f"{at}/{index}/exercise", unknown_exercise(name, policy).detail)


def _sessions(sessions: Any, policy: Policy) -> Iterator[Fault]:
    latest, latest_index = None, 0
    for index, session in enumerate(sessions or ()):
        starts_at = _member(session, "starts_at")
        if starts_at is not None:
            start = instant_of(starts_at).replace(microsecond=0)
            if latest is not None and start <= latest:
                yield Fault(
                    f"#/sessions/{index}/starts_at",
                    f"must be later than that of session {latest_index}: list sessions in order of time",
                )
            else:
                latest, latest_index = start, index
        yield from _exercises(_member(session, "exercises"), policy, f"#/sessions/{index}/exercises")


def _sets(sessions: Any) -> int:
    exercises = [each for session in sessions or () for each in _member(session, "exercises") or ()]
    return sum(len(_member(exercise, "sets") or ()) for exercise in exercises)


def _shifts(members: Mapping[str, Any], policy: Policy) -> Iterator[Fault]:
    for name in ("limits", "progression"):
        if members.get(name) is not None and not policy.readers["plan_shift_reps"]:
            yield Fault(f"#/{name}", f"policy {policy.version} cannot shift targets; pin a later one")


def faults_of_plan(members: Mapping[str, Any], policy: Policy) -> Iterator[Fault]:
    """Yield every fault the types cannot see, as JSON Pointers into the plan.

    `members` are those of a Plan that are sound, each whole or as its own sound members; what is missing is not
    looked at.
    """
    sessions = members.get("sessions")
    if (sets := _sets(sessions)) > MOST_SETS:
        yield Fault("#/sessions", f"holds {sets} sets; at most {MOST_SETS} in one call")
    yield from _lifter(members.get("lifter"), policy)
    yield from _sessions(sessions, policy)
    yield from _shifts(members, policy)
    yield from _repeated(_member(members.get("progression"), "deload_weeks"), "#/progression/deload_weeks")
