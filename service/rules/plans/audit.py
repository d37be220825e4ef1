"""An audit of a whole plan, the way an experienced coach would read it. Pure; work grows with the sets."""

from collections.abc import Sequence

from service.rules.plans.audit_sessions import consecutive_days, early_failure_before_overlap
from service.rules.plans.audit_sets import (
    light_set_far_from_failure,
    new_exercise_close_to_failure,
    short_rest,
    under_bar_to_failure,
)
from service.rules.plans.audit_warning import PlanWarning, counted
from service.rules.plans.audit_weeks import (
    all_sets_far_from_failure,
    failure_share_high,
    muscle_weeks,
    weekly_volume,
)
from service.rules.plans.numbers import PlanNumbers
from service.rules.plans.placed import Placed

__all__ = ["PlanWarning", "audit"]
WORST_FIRST = ("critical", "warning", "info")


def audit(
    sets: Sequence[Placed], numbers: PlanNumbers, failure_share_limit: float | None
) -> tuple[PlanWarning, ...]:
    """Return what is wrong with a plan, worst first, then by code, then in the plan's order.

    `sets` stand in the plan's order; cut ones and those without a reserve are left out. `failure_share_limit` [0-1] is
    the plan's own largest share of a muscle's counted sets of a week at failure, None for the usual one.
    """
    trained = counted(sets)
    weeks = muscle_weeks(trained)
    found = [
        *under_bar_to_failure(trained, numbers),
        *new_exercise_close_to_failure(trained, numbers),
        *early_failure_before_overlap(trained, numbers),
        *failure_share_high(weeks, numbers, failure_share_limit),
        *consecutive_days(trained, numbers),
        *light_set_far_from_failure(trained, numbers),
        *all_sets_far_from_failure(trained, numbers),
        *short_rest(trained, numbers),
        *weekly_volume(weeks, numbers),
    ]
    return tuple(sorted(found, key=lambda warning: WORST_FIRST.index(warning.severity)))
