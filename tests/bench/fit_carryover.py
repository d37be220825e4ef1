"""Fit of the carry-over numbers to published series: prints the numbers that stand in the policy's file.

Least squares over the rows marked as fitted, each residual divided by its tolerance; a coordinate search in plain
Python over the model itself, so that what is fitted is what is served. The start is fixed and is not the file.
Run: `.venv/bin/python -m tests.bench.fit_carryover`.
"""

from collections.abc import Callable
from functools import partial
from math import exp
from typing import NamedTuple

from msgspec.structs import replace

from service.policy.carryover_numbers import load_carryover
from service.policy.catalogue import load_policies
from service.rules.capacity import mean_reps_to_failure
from service.rules.carryover.numbers import CarryOver
from service.rules.carryover.predict import PlannedSet, predict

POLICY = load_policies(with_drafts=True).newest
NUMBERS = load_carryover(POLICY)
HOUR_SECONDS = 3600
AMPLE_REPS = 50  # a rep target that never ends the set
# Speed at a fixed load falls less than capacity does. On the bench at 75 % of 1RM, with 0.48 m/s there (from memory),
# 0.16 m/s at 1RM (PubMed 20180176) and a straight line between, a fall of v % in speed is a rise in relative load that
# takes 1.5 to 1.6 v % of the repetitions on our capacity curve. Judgement.
CAPACITY_LOSS_PER_VELOCITY_LOSS = 1.5
# The abstract names no rest between its six sets; its measure afterwards is at 4 min. Judgement.
REFALO_REST_SECONDS = 240.0
BENCH_MUSCLES = {"pectoralis_major": 1.0, "triceps_brachii": 0.5, "anterior_deltoid": 0.5}


class Row(NamedTuple):
    """One published figure, what the model says to it, and how far they may lie apart."""

    name: str
    published: float
    tolerance: float
    model: Callable[[CarryOver], float]
    fitted: bool = True


class Series(NamedTuple):
    """Sets of the bench press, all alike; `again_after_hours` adds the same session once more."""

    capacity_reps: float
    sets: int
    rest_seconds: float
    reserve: float | None = None
    again_after_hours: float | None = None


def capacities(series: Series, numbers: CarryOver) -> list[float]:
    """Capacity [repetitions] at the start of each set: to failure, this is what is completed."""
    starts = [0.0] if series.again_after_hours is None else [0.0, series.again_after_hours * HOUR_SECONDS]
    planned = [
        PlannedSet(
            source=f"session at {start} s",
            session_starts_at_seconds=start,
            muscles=BENCH_MUSCLES,
            rep_target=AMPLE_REPS,
            reps_in_reserve=series.reserve,
            capacity_reps=series.capacity_reps,
            rest_seconds=series.rest_seconds,
        )
        for start in starts
        for _ in range(series.sets)
    ]
    return [done.capacity_reps for done in predict(planned, numbers)]


def part(numbers: CarryOver, series: Series, *, of_set: int, in_set: int) -> float:
    """Capacity in one set as a share of that in an earlier one, sets numbered from 1."""
    found = capacities(series, numbers)
    return found[in_set - 1] / found[of_set - 1]


def totals(numbers: CarryOver, longer: Series, shorter: Series) -> float:
    """Repetitions of one series to failure as a multiple of those of another."""
    return sum(capacities(longer, numbers)) / sum(capacities(shorter, numbers))


def _knee_extension() -> list[Row]:
    series = Series(9.4, 3, 180.0)
    return [
        Row("SCI07, set 2 of 1", 7.0 / 9.4, 0.05, partial(part, series=series, of_set=1, in_set=2)),
        Row("SCI07, set 3 of 1", 6.4 / 9.4, 0.05, partial(part, series=series, of_set=1, in_set=3)),
    ]


def _five_lifts() -> list[Row]:
    capacity = mean_reps_to_failure(POLICY.data.capacity, "general", 70)
    series = Series(capacity, 3, 120.0)
    # the middle of 28-35 % and of 22-36 %
    return [
        Row("ECH13, set 2 of 1", 0.685, 0.05, partial(part, series=series, of_set=1, in_set=2), fitted=False),
        Row("ECH13, set 3 of 2", 0.71, 0.10, partial(part, series=series, of_set=2, in_set=3), fitted=False),
    ]


def _four_sets_of_8rm() -> list[Row]:
    # No term for the lift: bench press and squat get one figure. They differ by 0.12 (2 min) and 0.22 (5 min).
    rest = {minutes: Series(8.0, 4, 60.0 * minutes) for minutes in (1, 2, 5)}
    two, five = (partial(totals, longer=rest[minutes], shorter=rest[1]) for minutes in (2, 5))
    return [
        Row("WIL05, bench press, 2 of 1 min", 1.26, 0.12, two, fitted=False),
        Row("WIL05, squat, 2 of 1 min", 1.14, 0.12, two, fitted=False),
        Row("WIL05, bench press, 5 of 1 min", 1.50, 0.16, five),
        Row("WIL05, squat, 5 of 1 min", 1.28, 0.16, five),
    ]


def _six_sets_of_bench_press() -> list[Row]:
    capacity = mean_reps_to_failure(POLICY.data.capacity, "bench_press", 75)
    rows = []
    for reserve, last, after, next_day in ((0, 22, 25, 3), (1, 9, 13, 3), (3, 6, 8, -2)):
        series = Series(capacity, 7, REFALO_REST_SECONDS, reserve)
        two_days = Series(capacity, 6, REFALO_REST_SECONDS, reserve, again_after_hours=24)
        for name, velocity_loss, model in (
            ("set 6 of 1", last, partial(part, series=series, of_set=1, in_set=6)),
            ("4 min after", after, partial(part, series=series, of_set=1, in_set=7)),
            ("24 h after", next_day, partial(part, series=two_days, of_set=1, in_set=7)),
        ):
            left = 1 - CAPACITY_LOSS_PER_VELOCITY_LOSS * velocity_loss / 100
            rows.append(Row(f"REF23F, {reserve} in reserve, {name}", left, 0.05, model))
    return rows


ROWS = (*_knee_extension(), *_five_lifts(), *_four_sets_of_8rm(), *_six_sets_of_bench_press())

Point = tuple[float, ...]
NAMES = ("dose.reserve_exponent", "fast.fatigue", "fast.time_constant_seconds", "slow.fatigue")
START: Point = (1.0, 1.0, 100.0, 0.1)
FIRST_STEP, LAST_STEP = 0.2, 1e-5  # of the natural logarithm


def with_point(point: Point) -> CarryOver:
    """Return the numbers on disk with the fitted ones replaced, in the order of NAMES."""
    reserve_exponent, fast, time_constant_seconds, slow = point
    return replace(
        NUMBERS,
        dose=replace(NUMBERS.dose, reserve_exponent=reserve_exponent),
        fast=replace(NUMBERS.fast, fatigue=fast, time_constant_seconds=time_constant_seconds),
        slow=replace(NUMBERS.slow, fatigue=slow),
    )


def on_disk() -> Point:
    """Return the fitted numbers as they stand in the file."""
    fast = NUMBERS.fast
    return (
        NUMBERS.dose.reserve_exponent,
        fast.fatigue,
        fast.time_constant_seconds,
        NUMBERS.slow.fatigue,
    )


def misfit(point: Point) -> float:
    """Sum of squares over the fitted rows, each residual in tolerances."""
    numbers = with_point(point)
    return sum(((row.model(numbers) - row.published) / row.tolerance) ** 2 for row in ROWS if row.fitted)


def fit() -> Point:
    """Return the point of least misfit, by a coordinate search on logarithms."""
    point, best, steps = START, misfit(START), [FIRST_STEP] * len(START)
    while max(steps) > LAST_STEP:
        for i, step in enumerate(steps):
            for move in (step, -step):
                moved = (*point[:i], point[i] * exp(move), *point[i + 1 :])
                if (found := misfit(moved)) < best:
                    point, best, steps[i] = moved, found, 2 * step
                    break
            else:
                steps[i] = step / 2
    return point


def main() -> None:
    """Print the fitted numbers beside those on disk, then every row."""
    fitted = fit()
    for name, value, stands in zip(NAMES, fitted, on_disk(), strict=True):
        print(f"{name:<28} fit {value:9.4f}   on disk {stands:9.4f}")
    print(f"misfit {misfit(fitted):.3f}, on disk {misfit(on_disk()):.3f}\n")
    for row in ROWS:
        kind = "fitted" if row.fitted else "held out"
        print(f"{row.name:<38} {kind:<9} published {row.published:.3f}   model {row.model(NUMBERS):.3f}")


if __name__ == "__main__":
    main()
