"""Time and memory of whole plans in the rules core, by number of sets, without HTTP. See README.md beside this file."""

import time
import tracemalloc
from datetime import datetime, timedelta, timezone
from itertools import product
from typing import Any

import msgspec

from service.policy.catalogue import load_policies
from service.policy.plan_basis import load_plan_basis
from service.rules.plans.basis import PlanBasis
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import Detail, prescribe_plan
from service.rules.plans.start import stateless_start

SIZES = (375, 750, 1500, 3000)
SETS_A_SESSION, SETS_AN_EXERCISE = 50, 5
ROUNDS = 3
START = datetime(2027, 1, 4, 18, tzinfo=timezone(timedelta(hours=1)))
LIMITS = {"failure_share_per_muscle_7d": 0.3, "failure_sets_per_session": 3}
# Two kinds of day in turn, ten exercises each; many come to failure by themselves, so that limits have work to do.
DAYS = (
    (
        "machine_chest_press",
        "dumbbell_bench_press",
        "cable_chest_fly",
        "machine_chest_fly",
        "dumbbell_lateral_raise",
        "cable_lateral_raise",
        "cable_triceps_pushdown",
        "cable_overhead_triceps_extension",
        "dumbbell_reverse_fly",
        "push_up",
    ),
    (
        "leg_press",
        "machine_hack_squat",
        "leg_extension",
        "lying_leg_curl",
        "seated_leg_curl",
        "seated_calf_raise",
        "cable_seated_row",
        "cable_lat_pulldown",
        "cable_biceps_curl",
        "dumbbell_hammer_curl",
    ),
)


def plan_of(sets: int, hours: float, limits: dict[str, float] | None) -> Plan:
    """Return a plan of so many sets, 50 a session, sessions so many hours apart."""
    sessions: list[dict[str, Any]] = []
    for first in range(0, sets, SETS_A_SESSION):
        count = min(SETS_A_SESSION, sets - first) // SETS_AN_EXERCISE
        day = DAYS[len(sessions) % len(DAYS)]
        sets_of = [
            {
                "rep_target": 8 + at % 8,
                "load_percent_1rm": 60 + (at * 7 + len(sessions)) % 20,
                "rest_seconds": 120,
            }
            for at in range(count)
        ]
        sessions.append(
            {
                "starts_at": (START + timedelta(hours=hours * len(sessions))).isoformat(),
                "exercises": [
                    {"exercise": name, "sets": [one] * SETS_AN_EXERCISE}
                    for name, one in zip(day, sets_of, strict=False)
                ],
            }
        )
    return msgspec.convert(
        {"lifter": {"experience": "advanced"}, "sessions": sessions, "limits": limits}, Plan, strict=True
    )


def seconds(plan: Plan, basis: PlanBasis, detail: Detail) -> float:
    """Return the least time of a few calls [seconds of this process, not of its neighbours]."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        prescribe_plan(plan, stateless_start(plan), basis, detail)
        times.append(time.process_time() - start)
    return min(times)


def megabytes(plan: Plan, detail: Detail) -> tuple[float, float]:
    """Return the peak of memory while answering, and the size of the answer as JSON [MB].

    A policy loaded anew remembers nothing yet: what its bounded memos take counts too.
    """
    basis = load_plan_basis(load_policies().newest)
    tracemalloc.start()
    answer = prescribe_plan(plan, stateless_start(plan), basis, detail)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6, len(msgspec.json.encode(answer)) / 1e6


def measure(
    name: str, hours: float, limits: dict[str, float] | None, detail: Detail, basis: PlanBasis
) -> None:
    """Print one line per size; the last columns are what twice the sets cost: 2.0 is a straight line."""
    print(f"\n{name}, {detail}, {'limits' if limits else 'no limits'}")
    print("  sets   seconds  ms/set   peak MB  kB/set  answer MB  moved  time x  memory x")
    last: tuple[float, float] | None = None
    for sets in SIZES:
        plan = plan_of(sets, hours, limits)
        took = seconds(plan, basis, detail)
        peak, size = megabytes(plan, detail)
        allocation = prescribe_plan(plan, stateless_start(plan), basis, "brief").allocation
        moved = "-" if allocation is None else f"{len(allocation.moves)}{'' if allocation.optimal else '*'}"
        ratios = "" if last is None else f"{took / last[0]:8.2f}{peak / last[1]:10.2f}"
        line = (
            f"{sets:6d}{took:10.3f}{took / sets * 1e3:8.3f}{peak:10.1f}{peak / sets * 1e3:8.1f}{size:11.1f}"
        )
        print(f"{line}{moved:>7}{ratios}")
        last = took, peak


def main() -> None:
    """Print a block of weeks and one crowded week, brief and full, with and without limits; * = not proven best."""
    basis = load_plan_basis(load_policies().newest)
    details: tuple[Detail, Detail] = ("brief", "full")
    for (name, hours), limits, detail in product(
        (("a session every other day", 48.0), ("all within a week", 2.75)), (None, LIMITS), details
    ):
        measure(name, hours, limits, detail, basis)


if __name__ == "__main__":
    main()
