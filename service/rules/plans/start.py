"""What is known of the lifter before the first session of a plan: nothing but what is told, or a history."""

from msgspec import Struct, structs

from service.rules.compiled import Policy
from service.rules.learning.context import Profile
from service.rules.learning.known import MICROS_PER_HOUR, ExerciseKnown, Known, Micros
from service.rules.learning.numbers import Learning
from service.rules.plans.plan import Plan, PlanLifter


class Start(Struct, frozen=True, kw_only=True):
    """Who starts the plan, and what is known then. `known` is empty without a history."""

    told: PlanLifter
    profile: Profile
    known: Known

    @property
    def has_history(self) -> bool:
        """True when at least one performed set is known."""
        return bool(self.known.lifter.sets)


def stateless_start(plan: Plan) -> Start:
    """Return the start of a lifter of whom only the plan tells."""
    return Start(told=plan.lifter or PlanLifter(), profile=Profile(), known=Known())


def start_from_history(plan: Plan, profile: Profile, known: Known) -> Start:
    """Return the start of a lifter with a profile and a history; what the plan tells stands before both."""
    return Start(told=plan.lifter or PlanLifter(), profile=profile, known=known)


def first_exposures(start: Start, exercise: str, full_exposures: float) -> float | None:
    """Return the earlier sessions an exercise starts the plan with [sessions]; None: its history says.

    Told exposures count; of an exercise not told none. With nothing told, accustomed; with a history, that.
    """
    told = start.told.exposures
    if told is not None and (exercise in told or not start.has_history):
        return told.get(exercise, 0.0)
    return None if start.has_history else full_exposures


def seed(known: Known, start: Start, exercise: str, at: Micros, policy: Policy, numbers: Learning) -> None:
    """Put what an exercise starts with in place of what is known of it, as of a session shortly before `at`."""
    exposures = first_exposures(start, exercise, policy.data.accustoming.full_exposures)
    if exposures is None:
        return
    # just beyond the gap that parts two sessions: too short for absence to take anything
    before = at - int((numbers.session_gap_hours + 1) * MICROS_PER_HOUR)
    row = known.exercises.get(exercise, ExerciseKnown())
    known.exercises[exercise] = structs.replace(
        row, exposures=exposures, last_at=before if exposures else None, previous_last_at=None
    )
