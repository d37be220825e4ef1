"""Warnings about what sets do to other exercises of the session and to the next session."""

from collections.abc import Iterator, Sequence
from datetime import timedelta

from service.rules.plans.audit_sets import mended_reps
from service.rules.plans.audit_warning import Counted, PlanWarning, grouped, named, warning
from service.rules.plans.numbers import PlanNumbers
from service.rules.plans.placed import Placed


def consecutive_days(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning per pair of sessions that train a muscle directly without the hours it needs.

    A muscle is compared with the last session before that trained it directly.
    """
    rule = numbers.audit.consecutive_days
    latest: dict[str, Placed] = {}
    for found in grouped((placed.session, placed) for placed, _ in sets).values():
        direct = [(muscle, placed) for placed in found for muscle in _direct(placed)]
        pairs: dict[int, dict[str, None]] = {}
        for muscle, placed in direct:
            before = latest.get(muscle)
            if before is not None and _hours(before, placed) < rule.under_hours:
                pairs.setdefault(before.session, {})[muscle] = None
        for muscles in pairs.values():
            before = latest[next(iter(muscles))]
            after = [placed for placed in found if not muscles.keys().isdisjoint(_direct(placed))]
            values = {
                "earlier": before.session + 1,
                "later": after[0].session + 1,
                "muscles": named(tuple(muscles), rule.most_named, numbers.words),
                "hours": int(_hours(before, after[0])),
                "mend_hours": rule.mend_hours,
                "from_time": _told(before, after[0], rule.mend_hours),
            }
            yield warning("consecutive_days", rule, (placed.pointer for placed in after), values)
        latest.update(direct)


def early_failure_before_overlap(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning per exercise and the last other one of the session that its failure takes from."""
    rule = numbers.audit.early_failure_before_overlap
    last: dict[tuple[int, str], dict[str, Placed]] = {}
    for placed, _ in sets:
        for muscle in _trained(placed):
            trained = last.setdefault((placed.session, muscle), {})
            trained.pop(placed.exercise.id, None)  # put in again it stands last
            trained[placed.exercise.id] = placed
    early = (
        ((placed.exercise.id, after.exercise.id), (placed, after))
        for placed, left in sets
        if left < numbers.failure_below_reps and (after := _last_other(placed, last)) is not None
    )
    for pairs in grouped(early).values():
        values = {
            "exercise": pairs[0][0].exercise.name,
            "later": pairs[0][1].exercise.name,
            "raise_to_reps": mended_reps(numbers.limit.raise_to_reps, (placed for placed, _ in pairs)),
        }
        pointers = (placed.pointer for placed, _ in pairs)
        yield warning("early_failure_before_overlap", rule, pointers, values)


def _last_other(placed: Placed, last: dict[tuple[int, str], dict[str, Placed]]) -> Placed | None:
    """Last set of the session, after `placed`, of another exercise that shares a muscle with it."""
    found = [
        next((other for name, other in reversed(trained.items()) if name != placed.exercise.id), None)
        for muscle in _trained(placed)
        for trained in (last[placed.session, muscle],)
    ]
    after = [other for other in found if other is not None and other.exercise_at > placed.exercise_at]
    return max(after, key=lambda other: other.exercise_at, default=None)


def _trained(placed: Placed) -> list[str]:
    return [muscle for muscle, share in placed.exercise.muscles.items() if share > 0]


def _direct(placed: Placed) -> list[str]:
    return [muscle for muscle, share in placed.exercise.muscles.items() if share >= 1]


def _hours(before: Placed, after: Placed) -> float:
    return (after.starts_at - before.starts_at) / timedelta(hours=1)


def _told(before: Placed, after: Placed, hours: float) -> str:
    """When `hours` have passed since `before`, in the offset of `after`."""
    at = (before.starts_at + timedelta(hours=hours)).astimezone(after.starts_at.tzinfo)
    return f"{at:%Y-%m-%d %H:%M}"
