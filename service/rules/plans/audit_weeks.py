"""Warnings about weeks: failure that piles up, weeks that hold nothing hard, and the count of sets per muscle."""

from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import NamedTuple

from service.rules.plans.audit_sets import far_from_failure, mended_reps
from service.rules.plans.audit_warning import Counted, PlanWarning, grouped, named, warning
from service.rules.plans.numbers import PlanNumbers, WeeklyVolume, Words
from service.rules.plans.placed import Placed

MuscleWeeks = dict[int, dict[str, list[Counted]]]


class Piled(NamedTuple):
    """A muscle's failure in one week: its share [0-1], how many sets to move, and the most that is left then [0-1]."""

    muscle: str
    failed: list[Placed]
    share: float
    moved: int
    new_share: float


def muscle_weeks(sets: Sequence[Counted]) -> MuscleWeeks:
    """Return the sets by week, in order of time, and muscle, in order of name."""
    weeks: MuscleWeeks = {}
    for one in sets:
        for muscle, share in one[0].exercise.muscles.items():
            if share > 0:
                weeks.setdefault(one[0].week, {}).setdefault(muscle, []).append(one)
    return {week: dict(sorted(weeks[week].items())) for week in sorted(weeks)}


def failure_share_high(
    weeks: MuscleWeeks, numbers: PlanNumbers, share_limit: float | None
) -> Iterator[PlanWarning]:
    """Yield one warning per run of weeks above the limit [0-1], at its last week; muscles with equal sets together.

    A run ends when it was told: the next needs as many weeks again.
    """
    rule = numbers.audit.failure_share_high
    limit = rule.above_share if share_limit is None else share_limit
    running: dict[tuple[str, int], int] = {}
    for week, muscles in weeks.items():
        told: list[tuple[tuple[str, ...], Piled]] = []
        for muscle, sets in muscles.items():
            piled = _piled(muscle, sets, numbers.failure_below_reps, limit)
            if piled.share <= limit:
                continue
            length = running.get((muscle, week - 1), 0) + 1
            if length < rule.weeks:
                running[muscle, week] = length
            else:
                told.append((tuple(placed.pointer for placed in piled.failed), piled))
        for pointers, alike in grouped(told).items():
            values = _share_values(alike, rule.most_named, numbers.words)
            values |= {"week": week, "weeks": rule.weeks, "limit": limit}
            failed = (placed for piled in alike for placed in piled.failed)
            values |= {"raise_to_reps": mended_reps(numbers.limit.raise_to_reps, failed)}
            yield warning("failure_share_high", rule, pointers, values)


def all_sets_far_from_failure(sets: Sequence[Counted], numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield one warning for the plan, or else one per week, that holds no set near enough to failure."""
    rule = numbers.audit.all_sets_far_from_failure
    weeks: dict[int, list[Placed]] = {}
    near: set[int] = set()
    for placed, left in sets:
        if not placed.deload:
            weeks.setdefault(placed.week, []).append(placed)
            if not far_from_failure(placed, left, rule):
                near.add(placed.week)
    if weeks and not near:
        far = [placed for found in weeks.values() for placed in found]
        values: dict[str, object] = {"above_reps": rule.above_reps}
        yield warning("all_sets_far_from_failure", rule, _sessions(far), values, text=rule.text_plan)
        return
    for week, found in weeks.items():
        if week not in near:
            values = {"above_reps": rule.above_reps, "week": week}
            yield warning("all_sets_far_from_failure", rule, _sessions(found), values)


def weekly_volume(weeks: MuscleWeeks, numbers: PlanNumbers) -> Iterator[PlanWarning]:
    """Yield per week which muscles have the most and the fewest counted sets."""
    rule = numbers.audit.weekly_volume
    for week, muscles in weeks.items():
        found = [placed for sets in muscles.values() for placed, _ in sets]
        volumes = {
            muscle: _volume(muscle, [placed for placed, _ in sets]) for muscle, sets in muscles.items()
        }
        most, least = max(volumes.values()), min(volumes.values())
        values = {
            "week": week,
            "most": _with_volume(volumes, most, rule, numbers.words),
            "most_sets": most,
            "least": _with_volume(volumes, least, rule, numbers.words),
            "least_sets": least,
            "aim_sets": rule.aim_sets,
            "short": rule.aim_sets - least,
        }
        mend = rule.mend_enough if least >= rule.aim_sets else rule.mend
        if all(placed.deload for placed in found):
            mend = rule.mend_deload
        text = rule.text_even if most == least else rule.text
        yield warning("weekly_volume", rule, _sessions(found), values, text=text, mend=mend)


def _volume(muscle: str, sets: Sequence[Placed]) -> float:
    return sum(placed.exercise.muscles[muscle] for placed in sets)


def _with_volume(volumes: dict[str, float], sets: float, rule: WeeklyVolume, words: Words) -> str:
    return named([muscle for muscle, volume in volumes.items() if volume == sets], rule.most_named, words)


def _piled(muscle: str, sets: Sequence[Counted], failure_below_reps: float, limit: float) -> Piled:
    failed = [placed for placed, left in sets if left < failure_below_reps]
    total = _volume(muscle, [placed for placed, _ in sets])
    # the largest first: whichever sets are moved, no more than this is left
    largest_first = sorted((placed.exercise.muscles[muscle] for placed in failed), reverse=True)
    shares = [volume / total for volume in accumulate(largest_first, initial=0.0)]
    kept = max(sets for sets, share in enumerate(shares) if share <= limit)
    return Piled(muscle, failed, shares[-1], len(failed) - kept, shares[kept])


def _share_values(alike: Sequence[Piled], most_named: int, words: Words) -> dict[str, object]:
    """What is told of muscles with the same failed sets, the one they train most first."""
    ordered = sorted(alike, key=lambda piled: -_volume(piled.muscle, piled.failed))
    told = named([piled.muscle for piled in ordered], most_named, words)
    return {
        "muscles": told[:1].upper() + told[1:],
        "sets": len(alike[0].failed),
        "share": max(piled.share for piled in alike),
        "moved": max(piled.moved for piled in alike),
        "new_share": max(piled.new_share for piled in alike),
    }


def _sessions(sets: Sequence[Placed]) -> list[str]:
    return [f"/sessions/{session}" for session in sorted({placed.session for placed in sets})]
