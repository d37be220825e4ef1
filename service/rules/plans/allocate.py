"""Which sets at failure stay there when a plan's limits leave room for fewer: those that cost later sets least."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import lcm
from typing import Literal

from msgspec import Struct

from service.rules.carryover.predict import PlannedSet, PredictedSet
from service.rules.plans.packing import packed
from service.rules.plans.shadow_prices import Item, Packing

MOST_BRANCHES = 1 << 15  # plans of 3,000 sets stay within about a second
_COST_DECIMALS = 9  # rounding step of costs: days that are alike cost alike
_ROUNDING_SETS = Fraction(1, 10**9)  # rounding step of limits: a share of 0.3 of 10 sets holds 3

Limit = Literal["failure_sets_per_session", "failure_share_per_muscle_7d"]
_Row = tuple[Limit, int, str | None]  # the limit, its session or week, its muscle
_Loads = dict[_Row, Fraction]


class Candidate(Struct, frozen=True, kw_only=True):
    """A set planned to end at failure.

    `place` is its index in the plan, `session` and `week` are numbers in the plan; `muscles` are shares [0-1];
    `cost_reps` is what later sets lose because of it [repetitions].
    """

    place: int
    session: int
    week: int
    muscles: dict[str, float]
    cost_reps: float


class Budget(Struct, frozen=True, kw_only=True):
    """Most sets at failure in a session, and their largest share [0-1] of a muscle's sets of a week; None: any."""

    failure_sets_per_session: int | None
    failure_share_per_muscle: float | None


class Move(Struct, frozen=True, kw_only=True):
    """A set moved away from failure, and a limit it would break beside those kept; with the muscle of a share."""

    place: int
    limit: Limit
    muscle: str | None = None


class Allocation(Struct, frozen=True, kw_only=True):
    """Places of the sets that stay at failure, the others in the order given; `optimal`: nothing better exists."""

    kept: frozenset[int]
    moved: tuple[Move, ...]
    optimal: bool


def cost_of(planned: Sequence[PlannedSet], predicted: Sequence[PredictedSet]) -> dict[int, float]:
    """Return by place what later sets do not complete because of a set [repetitions]; each `source` names one set.

    `predicted` is `predict(planned)`. Payments share out the capacity a set lost, `fresh_reps - predicted_reps` is
    what it completes less; where its rep target ended it anyway that is less or nothing, so each payment counts in
    that proportion. The cost is that of the whole set as planned, not of its last repetitions alone, and work that
    `predict` no longer names costs nothing here. Raises ValueError where a source names two sets.
    """
    places = {one.source: place for place, one in enumerate(planned)}
    if len(places) != len(planned):
        raise ValueError("each set needs a source of its own")
    costs = dict.fromkeys(range(len(planned)), 0.0)
    for done in predicted:
        lost = sum(payment.reps_lost for payment in done.paid_by)
        if lost > 0.0:
            completed_less = max(done.fresh_reps - done.predicted_reps, 0.0) / lost
            for payment in done.paid_by:
                if payment.source is not None:
                    costs[places[payment.source]] += payment.reps_lost * completed_less
    return {place: round(cost, _COST_DECIMALS) for place, cost in costs.items()}


def _loads(one: Candidate, budget: Budget) -> _Loads:
    """Return what the set takes of each limit it comes under; the session first, then muscles, direct ones first."""
    loads: _Loads = {}
    if budget.failure_sets_per_session is not None:
        loads["failure_sets_per_session", one.session, None] = Fraction(1)
    if budget.failure_share_per_muscle is not None:
        for muscle, share in sorted(one.muscles.items(), key=lambda pair: (-pair[1], pair[0])):
            if share > 0.0:
                loads["failure_share_per_muscle_7d", one.week, muscle] = Fraction(share)
    return loads


def _caps(
    loads: Sequence[_Loads], fractional_sets: Mapping[tuple[int, str], float], budget: Budget
) -> dict[_Row, Fraction]:
    caps: dict[_Row, Fraction] = {}
    for row in {row for one in loads for row in one}:
        _, number, muscle = row
        if muscle is None:
            caps[row] = Fraction(budget.failure_sets_per_session or 0)
        else:
            share = Fraction(budget.failure_share_per_muscle or 0)
            caps[row] = share * Fraction(fractional_sets[number, muscle]) + _ROUNDING_SETS
    return caps


def _sums(loads: Sequence[_Loads], places: Sequence[int]) -> _Loads:
    sums: _Loads = defaultdict(Fraction)
    for at in places:
        for row, load in loads[at].items():
            sums[row] += load
    return sums


def _binding(loads: Sequence[_Loads], caps: Mapping[_Row, Fraction]) -> dict[int, _Loads]:
    """Return the sets that fit alone, with only those of their limits that not all of them together keep."""
    fit = [at for at, one in enumerate(loads) if all(load <= caps[row] for row, load in one.items())]
    sums = _sums(loads, fit)
    return {at: {row: load for row, load in loads[at].items() if sums[row] > caps[row]} for at in fit}


def _components(binding: Mapping[int, _Loads]) -> list[list[int]]:
    """Return the sets in parts that share no limit, small parts first."""
    by_row: dict[_Row, list[int]] = defaultdict(list)
    for at, one in binding.items():
        for row in one:
            by_row[row].append(at)
    parts: list[list[int]] = []
    seen = set[int]()
    for first in binding:
        part, todo = [], [first]
        while todo:
            at = todo.pop()
            if at not in seen:
                seen.add(at)
                part.append(at)
                todo += [other for row in binding[at] for other in by_row.pop(row, ())]
        if part:
            parts.append(sorted(part))
    return sorted(parts, key=lambda part: (len(part), part))


def _prices(part: Sequence[Candidate]) -> list[int]:
    """Return whole prices whose sums compare as costs do, exactly, and at equal cost favour later places."""
    costs = [Fraction(one.cost_reps) for one in part]
    whole = lcm(*(cost.denominator for cost in costs))
    rank = {place: rank for rank, place in enumerate(sorted(one.place for one in part))}
    return [
        (int(cost * whole) << len(part)) - (1 << rank[one.place])
        for one, cost in zip(part, costs, strict=True)
    ]


def _group(one: _Loads) -> _Row | None:
    return next((row for row in one if row[2] is None), None)


def _packing(
    part: Sequence[Candidate], binding: Sequence[_Loads], caps: Mapping[_Row, Fraction]
) -> tuple[Packing, list[int]]:
    """Return the part in whole numbers, and which candidate each of its items is."""
    prices = _prices(part)
    order = sorted(range(len(part)), key=prices.__getitem__)
    groups = {group: number for number, group in enumerate(dict.fromkeys(_group(one) for one in binding))}
    room = [len(part) if group is None else int(caps[group]) for group in groups]
    rows = list(dict.fromkeys(row for one in binding for row in one if row[2] is not None))
    scale = {row: lcm(*(one[row].denominator for one in binding if row in one)) for row in rows}
    weights = [
        (
            (groups[_group(one)], 1),
            *((at, int(one[row] * scale[row])) for at, row in enumerate(rows, len(groups)) if row in one),
        )
        for one in binding
    ]
    kinds = {kind: number for number, kind in enumerate(dict.fromkeys(weights))}
    items = tuple(
        Item(
            group=weights[at][0][0],
            kind=kinds[weights[at]],
            price=prices[at],
            cost=part[at].cost_reps,
            weights=weights[at],
        )
        for at in order
    )
    whole = (int(caps[row] * scale[row]) for row in rows)
    return Packing(items=items, groups=len(groups), caps=(*room, *whole)), order


def _moves(
    candidates: Sequence[Candidate],
    loads: Sequence[_Loads],
    caps: Mapping[_Row, Fraction],
    kept: frozenset[int],
) -> tuple[Move, ...]:
    held = _sums(loads, sorted(kept))
    moves: list[Move] = []
    for at, one in enumerate(candidates):
        if at not in kept:
            limit, _, muscle = next(row for row, load in loads[at].items() if held[row] + load > caps[row])
            moves.append(Move(place=one.place, limit=limit, muscle=muscle))
    return tuple(moves)


def allocate(
    candidates: Sequence[Candidate],
    fractional_sets: Mapping[tuple[int, str], float],
    budget: Budget,
    most_branches: int = MOST_BRANCHES,
) -> Allocation:
    """Return which sets stay at failure: as many as the limits allow, then at the least cost, later places first.

    Exactly: the greatest number; of such choices the least sum of `cost_reps`; of those the one with the latest set
    that another lacks. `fractional_sets` are all sets of a week (number) and muscle, those at failure included; a
    share holds while the kept sets' shares of the muscle add up to no more than `failure_share_per_muscle` times it.

    Parts that share no limit (weeks, at least) are solved one by one. With the session limit alone, taking whatever
    fits in order of cost is exact: "at most N from each session" is a partition matroid, where a dearer set kept can
    always be exchanged for a cheaper one of its session. Shares couple sessions; `packing` then searches, and looks
    at no more than about twice `most_branches` branches. Where that ends a search, `optimal` is False and the choice
    is the best found: never worse than taking whatever fits in order of cost, and nothing more fits beside it. So

        kept >= greatest number / D,   D = max(1, greatest over sets of the sum over its limits of r),

    r = the heaviest share under the limit over the lightest, rounded up (1 for a session; 2 for shares of 1/2 and 1).
    Why: let S be kept, O greatest, k sets of O - S each blocked by one limit of cap c and lightest weight a, heaviest
    b, where S - O holds s sets and (less what S and O have in common) the cap is c. The lightest of the k weighs at
    most c / k and is blocked, so S - O weighs more than c - c / k there, and at most s b; as c >= k a this gives
    k < 1 + s b / a, so k <= r s. Summed over limits, |O - S| <= D |S - O|.

    Raises KeyError where a muscle has no sets in its week.
    """
    loads = [_loads(one, budget) for one in candidates]
    caps = _caps(loads, fractional_sets, budget)
    binding = _binding(loads, caps)
    parts = _components(binding)
    kept, optimal, to_spend = set[int](), True, most_branches
    for done, part in enumerate(parts):
        packing, order = _packing([candidates[at] for at in part], [binding[at] for at in part], caps)
        found = packed(packing, to_spend // (len(parts) - done))
        to_spend = max(to_spend - found.branches, 0)
        kept.update(part[order[item]] for item in found.kept)
        optimal = optimal and found.proven
    return Allocation(
        kept=frozenset(candidates[at].place for at in kept),
        moved=_moves(candidates, loads, caps, frozenset(kept)),
        optimal=optimal,
    )
