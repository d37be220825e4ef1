"""From a plan in its places to set contexts and targets: set after set, each knowing what the sets before it did.

Sets of the plan are learned from like performed ones (`rules.learning.fold`): exposures and failure come from the same
code as a history's. They carry no load, so they teach neither a 1RM nor a reporting bias.
"""

from collections.abc import Sequence
from typing import NamedTuple

from msgspec import structs

from service.rules.answer import BriefPrescription
from service.rules.context import SetContext
from service.rules.learning.context import (
    MOST_HOURS,
    cautions_in_force,
    failure_share,
    reporting_bias,
)
from service.rules.learning.fold import learn
from service.rules.learning.known import MICROS_PER_HOUR, Known, Micros
from service.rules.learning.numbers import Learning
from service.rules.learning.performed import MOST_RESERVE, PerformedSet
from service.rules.learning.view import DECIMALS, credited_exposures, hours_since_trained
from service.rules.plans.basis import PlanBasis
from service.rules.plans.schedule import Slot
from service.rules.plans.start import Start, seed
from service.rules.policy import Exercise
from service.rules.prescribe import prescribe_brief


class Stand(NamedTuple):
    """A set of the plan with its context and target [repetitions], None when withheld."""

    slot: Slot
    context: SetContext
    brief: BriefPrescription
    target_reps: float | None

    @property
    def reserve_reps(self) -> float | None:
        """What the set is to end with [repetitions]: the caller's proposal, else the target; None when withheld."""
        proposed = self.slot.told.reps_in_reserve
        return self.target_reps if self.target_reps is None or proposed is None else proposed


class _Walker:
    """What is known while the plan is walked, what was known before the session, and when sessions trained muscles."""

    def __init__(self, start: Start, basis: PlanBasis) -> None:
        self.start, self.policy, self.plans = start, basis.policy, basis.plans
        known = start.known
        self.known = Known(
            lifter=known.lifter, exercises=dict(known.exercises), muscles=dict(known.muscles), weeks={}
        )
        self.own_only = _without_credit(basis.learning)
        self.numbers = basis.learning if start.has_history else self.own_only
        self.seen: set[str] = set()
        self.trained: dict[str, Micros] = {}
        self.training: dict[str, Micros] = {}
        self.before: Known = Known()
        self.session = -1

    def enter(self, slot: Slot) -> None:
        """Move on to the slot's session and exercise."""
        if slot.session != self.session:
            self.session = slot.session
            self.trained |= self.training
            self.training = {}
            self.before = Known(muscles=dict(self.known.muscles))
        if slot.exercise.id not in self.seen:
            self.seen.add(slot.exercise.id)
            seed(self.known, self.start, slot.exercise.id, slot.at, self.policy, self.numbers)

    def exposures(self, exercise: Exercise, at: Micros) -> float | None:
        """Earlier sessions that count [sessions]; None where nobody told and nothing took any away."""
        # what is told of an exercise stands: a history of others alike adds nothing to it
        numbers = self.own_only if exercise.id in (self.start.told.exposures or ()) else self.numbers
        found = round(credited_exposures(exercise, self.known, at, self.policy, numbers), DECIMALS)
        untold = not self.start.has_history and self.start.told.exposures is None
        return None if untold and found >= self.policy.data.accustoming.full_exposures else found

    def hours_since(self, exercise: Exercise, at: Micros) -> float | None:
        """Hours since the last session, of the plan or before it, that trained a direct muscle [hours]."""
        found = []
        for muscle, share in exercise.muscles.items():
            if share == 1 and (hours := self._hours(muscle, at)) is not None:
                found.append(hours)
        return min(round(min(found), DECIMALS), MOST_HOURS) if found else None

    def _hours(self, muscle: str, at: Micros) -> float | None:
        if muscle in self.trained:
            return (at - self.trained[muscle]) / MICROS_PER_HOUR
        before = self.start.known.muscles.get(muscle)
        return None if before is None else hours_since_trained(before, at, self.numbers)

    def done(self, slot: Slot, reserve_reps: float, failure_below_reps: float) -> None:
        """Learn from the set as if it had been done."""
        self.training.update(dict.fromkeys(slot.exercise.muscles, slot.at))
        failure = reserve_reps < failure_below_reps
        performed = PerformedSet(
            performed_at=slot.starts_at.isoformat(),
            exercise=slot.exercise.id,
            load_kg=0,
            reps=slot.told.rep_target,
            set_endpoint="momentary_failure" if failure else "planned_stop",
            reported_rir=min(reserve_reps, MOST_RESERVE),
        )
        learn(self.known, performed, self.policy, self.numbers)


def _without_credit(numbers: Learning) -> Learning:
    """Numbers for an exercise of which told exposures are all that is known: no credit from exercises alike."""
    return structs.replace(numbers, exposure=structs.replace(numbers.exposure, like_share=0.0))


def _context(slot: Slot, walker: _Walker, shift_reps: float) -> SetContext:
    told, profile, known = walker.start.told, walker.start.profile, walker.known
    until = slot.hours_until_trained
    context = SetContext(
        rep_target=slot.told.rep_target,
        load_percent_1rm=slot.told.load_percent_1rm,
        exercise=slot.exercise.id,
        exercise_order=slot.exercise_at + 1,
        exercises_in_session=slot.exercises_in_session,
        set_order=slot.set_at + 1,
        sets_in_exercise=slot.sets_in_exercise if slot.cut else slot.kept_sets,
        later_overlapping_sets=slot.later_overlapping_sets,
        experience=told.experience or profile.experience,
        exposures=walker.exposures(slot.exercise, slot.at),
        goal=told.goal or profile.goal,
        hours_since_muscle_trained=walker.hours_since(slot.exercise, slot.at),
        hours_until_muscle_trained=None if until is None else min(round(until, DECIMALS), MOST_HOURS),
        deload=slot.deload,
        plan_shift_reps=shift_reps or None,
        spotter=told.spotter,
        safety_arms=told.safety_arms,
        cautions=cautions_in_force(told.cautions, profile, known, slot.at, walker.numbers),
        policy=walker.policy.version,
    )
    # of the days before: what this session's own sets cost each other is carry-over, not piled-up failure
    share = failure_share(context, walker.before, slot.at, walker.policy, walker.numbers)
    return structs.replace(context, failure_share_7d=share)


def _stand(slot: Slot, walker: _Walker, shift_reps: float) -> Stand:
    context = _context(slot, walker, shift_reps)
    brief = prescribe_brief(context, walker.policy)
    target = None if brief.reps_in_reserve is None else brief.reps_in_reserve.target
    if target is not None and walker.start.has_history:
        # no bias moves a target, and the bias depends on it
        bias = reporting_bias(context, target, walker.start.known, walker.policy, walker.numbers)
        context = structs.replace(context, reporting_bias=bias)
    return Stand(slot, context, brief, target)


def walk(slots: Sequence[Slot], shifts: Sequence[float], start: Start, basis: PlanBasis) -> list[Stand]:
    """Return every set with its context and target, each shifted by its entry of `shifts` [repetitions].

    Cut sets and those without a target change nothing for later ones.
    """
    walker = _Walker(start, basis)
    stands = []
    for slot, shift in zip(slots, shifts, strict=True):
        walker.enter(slot)
        stand = _stand(slot, walker, shift)
        stands.append(stand)
        if stand.reserve_reps is not None and not slot.cut:
            walker.done(slot, stand.reserve_reps, basis.plans.failure_below_reps)
    return stands
