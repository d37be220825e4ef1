"""The most items that fit under limits, and of such choices the cheapest: branch and bound in whole numbers.

Two searches, one after the other: the greatest number, then the least price at that number. Each walks the items
group by group, takes or leaves them, and drops a branch that cannot beat the best choice known. The bound puts a
shadow price p on what each row holds (Lagrange): whatever p >= 0 is, a choice that fits gains

    sum of gains  <=  sum p cap + sum (gain - p weight) over the choice

and the last sum is at most that of the best items each group has room for. So prices found in floating point prove as
much, once they are made whole, as exact ones. Items alike but for their price are taken cheapest first.
"""

from itertools import accumulate

from msgspec import Struct
from msgspec.structs import replace

from service.rules.plans.shadow_prices import Goal, Packing, shadow_prices

_GRAIN = 1 << 30  # rounding step of shadow prices where every item gains 1
_MOST_ROUNDS = 1 << 8  # of price steps; more did not tighten the bound
Choice = frozenset[int]


class Found(Struct, frozen=True):
    """The best choice found, the branches looked at, and whether nothing better exists."""

    kept: Choice
    branches: int
    proven: bool


class _Walk(Struct, frozen=True, kw_only=True):
    """The order of a search and what its bound needs: items by group, those worth most first.

    `best[k]` adds up what the first k are worth (never less than nothing); group g ends before place `ends[g]`;
    `later[g]` and `slots[g]` are what the groups after g could add to the bound and to the number.
    """

    goal: Goal
    order: tuple[int, ...]
    worth: tuple[int, ...]
    best: tuple[int, ...]
    ends: tuple[int, ...]
    later: tuple[int, ...]
    slots: tuple[int, ...]


class _Branch(Struct, frozen=True):
    """A branch: next place, what rows still hold, kinds left out (bits), and what was taken, last first.

    `sure` is the part of the bound that is settled: the price of all caps and what was taken is worth.
    """

    place: int
    left: tuple[int, ...]
    left_out: int
    sure: int
    gain: int
    taken: "tuple[_Branch, int] | None"


def filled(packing: Packing, kept: Choice) -> Choice:
    """Return the choice with every item added that still fits, the cheapest first."""
    left, more = list(packing.caps), set[int]()
    for at in sorted(range(len(packing.items)), key=lambda at: at not in kept):
        weights = packing.items[at].weights
        if all(left[row] >= weight for row, weight in weights):
            more.add(at)
            for row, weight in weights:
                left[row] -= weight
    return frozenset(more)


def _sums_after(parts: list[int]) -> tuple[int, ...]:
    """Return for each part the sum of those after it."""
    return tuple(accumulate(reversed(parts), initial=0))[-2::-1]


def _walk(goal: Goal, prices: tuple[int, ...]) -> _Walk:
    packing = goal.packing
    items = packing.items
    worth = [
        gain - sum(prices[row] * weight for row, weight in item.weights)
        for item, gain in zip(items, goal.gains, strict=True)
    ]
    order = sorted(range(len(items)), key=lambda at: (items[at].group, -worth[at], at))
    best = tuple(accumulate((max(worth[at], 0) for at in order), initial=0))
    sizes = [0] * packing.groups
    for item in items:
        sizes[item.group] += 1
    slots = [min(cap, size) for cap, size in zip(packing.caps, sizes, strict=False)]
    ends = tuple(accumulate(sizes, initial=0))
    adds = [best[start + slot] - best[start] for start, slot in zip(ends, slots, strict=False)]
    return _Walk(
        goal=goal,
        order=tuple(order),
        worth=tuple(worth),
        best=best,
        ends=ends[1:],
        later=_sums_after(adds),
        slots=_sums_after(slots),
    )


def _may_beat(walk: _Walk, branch: _Branch, gain: int) -> bool:
    """Tell whether the branch may hold a choice of greater gain."""
    goal, place, more, slots = walk.goal, branch.place, 0, 0
    if place < len(walk.order):
        group = goal.packing.items[walk.order[place]].group
        until = min(place + branch.left[group], walk.ends[group])
        more = walk.best[until] - walk.best[place] + walk.later[group]
        slots = until - place + walk.slots[group]
    if goal.exact and slots < branch.left[-1]:
        return False
    return (branch.sure + more) // goal.step * goal.step > gain


def _moved_on(walk: _Walk, branch: _Branch) -> _Branch:
    """Return the branch at the next item that fits; one that does not is left out with all its kind."""
    items, left_out = walk.goal.packing.items, branch.left_out
    for place in range(branch.place, len(walk.order)):
        item = items[walk.order[place]]
        if left_out >> item.kind & 1:
            continue
        if all(branch.left[row] >= weight for row, weight in item.weights):
            break
        left_out |= 1 << item.kind
    else:
        place = len(walk.order)
    return replace(branch, place=place, left_out=left_out)


def _without(walk: _Walk, branch: _Branch) -> _Branch:
    """Return the branch that leaves out its next item, and so all of the kind that cost more."""
    kind = walk.goal.packing.items[walk.order[branch.place]].kind
    return replace(branch, place=branch.place + 1, left_out=branch.left_out | 1 << kind)


def _with(walk: _Walk, branch: _Branch) -> _Branch:
    """Return the branch that takes its next item."""
    at = walk.order[branch.place]
    left = list(branch.left)
    for row, weight in walk.goal.packing.items[at].weights:
        left[row] -= weight
    return _Branch(
        place=branch.place + 1,
        left=tuple(left),
        left_out=branch.left_out,
        sure=branch.sure + walk.worth[at],
        gain=branch.gain + walk.goal.gains[at],
        taken=(branch, at),
    )


def _taken(branch: _Branch) -> Choice:
    taken = set[int]()
    while branch.taken is not None:
        branch, at = branch.taken
        taken.add(at)
    return frozenset(taken)


def _search(goal: Goal, known: Choice, most_branches: int) -> Found:
    """Return the choice of greatest gain, `known` where none is greater."""
    gain = sum(goal.gains[at] for at in known)
    rounds = min(most_branches // len(goal.gains), _MOST_ROUNDS)
    prices = shadow_prices(goal, sum(goal.sizes[at] for at in known), rounds)
    walk = _walk(goal, prices)
    caps = goal.packing.caps
    sure = sum(price * cap for price, cap in zip(prices, caps, strict=True))
    branches, stack = 0, [_Branch(0, caps, 0, sure, 0, None)]
    while stack:
        branch = _moved_on(walk, stack.pop())
        if not _may_beat(walk, branch, gain):
            continue
        if branches == most_branches:
            return Found(known, branches, proven=False)
        branches += 1
        if branch.place < len(walk.order):
            stack += (_without(walk, branch), _with(walk, branch))
        elif branch.gain > gain:  # with an exact goal the last row is full: no slots are left
            gain, known = branch.gain, _taken(branch)
    return Found(known, branches, proven=True)


def _number(packing: Packing) -> Goal:
    """Return the goal of taking as many items as fit."""
    count = len(packing.items)
    return Goal(
        packing=packing,
        gains=(_GRAIN,) * count,
        sizes=(1.0,) * count,
        unit=_GRAIN,
        step=_GRAIN,
        exact=False,
        first_price=0.0,
    )


def _price(packing: Packing, number: int) -> Goal:
    """Return the goal of the least price for so many items: they are one more row, to be filled."""
    row = (len(packing.caps), 1)
    largest = max(abs(item.cost) for item in packing.items) or 1.0
    return Goal(
        packing=replace(
            packing,
            items=tuple(replace(item, weights=(*item.weights, row)) for item in packing.items),
            caps=(*packing.caps, number),
        ),
        gains=tuple(-item.price for item in packing.items),
        sizes=tuple(-item.cost / largest for item in packing.items),
        unit=max(abs(item.price) for item in packing.items),
        step=1,
        exact=True,
        first_price=-float(number),
    )


def packed(packing: Packing, most_branches: int) -> Found:
    """Return the most items that fit, the cheapest such choice; each of two searches looks at so many branches.

    Where the limit stops one, the choice is the best one found, never worse than taking whatever fits in order of
    price, and nothing more fits beside it.
    """
    most = _search(_number(packing), filled(packing, frozenset()), most_branches)
    if not most.kept:
        return most
    least = _search(_price(packing, len(most.kept)), most.kept, most_branches)
    return Found(
        kept=filled(packing, least.kept),
        branches=most.branches + least.branches,
        proven=most.proven and least.proven,
    )
