"""Sets in their places: what the parts of a plan's answer are computed from."""

from datetime import datetime

from msgspec import Struct

from service.rules.answer import BriefPrescription, Prescription
from service.rules.context import SetContext
from service.rules.plans.plan import PlanSet, pointer_of
from service.rules.policy import Exercise


class Placed(Struct, frozen=True, kw_only=True):
    """One set of a plan with its prescription.

    `session`, `exercise_at` and `set_at` are places from 0; `starts_at` is the session's start in its own offset;
    `week` numbers ISO weeks in that offset, the first session's is 1. `target_reps` is the prescribed reserve
    [repetitions], None when withheld; `reserve_reps` what the set is to end with: the caller's proposal, else the
    target.
    """

    session: int
    exercise_at: int
    set_at: int
    starts_at: datetime
    week: int
    exercise: Exercise
    told: PlanSet
    context: SetContext
    prescription: Prescription | BriefPrescription
    target_reps: float | None
    reserve_reps: float | None
    deload: bool
    cut: bool

    @property
    def exercise_pointer(self) -> str:
        """JSON Pointer of the exercise in the plan."""
        return pointer_of(self.session, self.exercise_at)

    @property
    def pointer(self) -> str:
        """JSON Pointer of the set in the plan."""
        return pointer_of(self.session, self.exercise_at, self.set_at)


def trains_alike(one: Exercise, other: Exercise) -> float:
    """Overlap of a set of `other` with one of `one` [0-1]: the largest product of shares over the muscles."""
    return max(
        (share * other.muscles[muscle] for muscle, share in one.muscles.items() if muscle in other.muscles),
        default=0.0,
    )
