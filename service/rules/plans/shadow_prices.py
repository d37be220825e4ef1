"""Shadow prices of limits: what the room a limit gives is worth, found by subgradient steps in floating point.

They only steer and tighten a search (`packing`), which proves its bounds in whole numbers whatever the prices are.
"""

from fractions import Fraction

from msgspec import Struct


class Item(Struct, frozen=True, kw_only=True):
    """What may be taken. `group` is one of the packing's groups; `kind` is equal where group and weights are.

    `price` decides between choices of equal number, `cost` is about its size; `weights` are pairs of row and weight,
    both whole, the weight above 0, in order of rows: first 1 of the row of its group.
    """

    group: int
    kind: int
    price: int
    cost: float
    weights: tuple[tuple[int, int], ...]


class Packing(Struct, frozen=True, kw_only=True):
    """Items by rising price and the most weight each row holds, above 0; the first rows are the `groups`."""

    items: tuple[Item, ...]
    groups: int
    caps: tuple[int, ...]


class Goal(Struct, frozen=True, kw_only=True):
    """What a search maximises: whole `gains`, about `sizes` times `unit`; totals are multiples of `step`.

    `exact`: a choice must fill the last row to its cap, so that row's price may be negative; `first_price` is the
    one to start from, per its whole cap.
    """

    packing: Packing
    gains: tuple[int, ...]
    sizes: tuple[float, ...]
    unit: int
    step: int
    exact: bool
    first_price: float


class _Rows(Struct, frozen=True, kw_only=True):
    """The rows that bear prices, each scaled to the cap 1: weights by item as pairs of row and share of the cap."""

    weights: tuple[tuple[tuple[int, float], ...], ...]
    groups: tuple[tuple[int, ...], ...]
    rooms: tuple[int, ...]


def _rows(packing: Packing) -> _Rows:
    members: list[list[int]] = [[] for _ in range(packing.groups)]
    for at, item in enumerate(packing.items):
        members[item.group].append(at)
    return _Rows(
        weights=tuple(
            tuple((row - packing.groups, weight / packing.caps[row]) for row, weight in item.weights[1:])
            for item in packing.items
        ),
        groups=tuple(map(tuple, members)),
        rooms=packing.caps[: packing.groups],
    )


def _relaxed(rows: _Rows, sizes: tuple[float, ...], prices: list[float]) -> tuple[float, list[float]]:
    """Return the bound at these prices, and how much of each row's cap the choice that attains it leaves."""
    bound, left = sum(prices), [1.0] * len(prices)
    for members, room in zip(rows.groups, rows.rooms, strict=True):
        worth = sorted(
            ((sizes[at] - sum(prices[row] * share for row, share in rows.weights[at]), at) for at in members),
            reverse=True,
        )
        for gain, at in worth[:room]:
            if gain <= 0.0:
                break
            bound += gain
            for row, share in rows.weights[at]:
                left[row] -= share
    return bound, left


def shadow_prices(goal: Goal, known: float, rounds: int) -> tuple[int, ...]:
    """Return a whole price per row (0 for the groups'), of the least bound met in so many rounds.

    `known` is what the best known choice attains, in sizes. Steps have Polyak's length towards it.
    """
    packing, rows = goal.packing, _rows(goal.packing)
    prices = [0.0] * (len(packing.caps) - packing.groups)
    if goal.exact:
        prices[-1] = goal.first_price
    free = len(prices) - 1 if goal.exact else len(prices)
    least, best = None, list(prices)
    for _ in range(rounds):
        bound, left = _relaxed(rows, goal.sizes, prices)
        if least is None or bound < least:
            least, best = bound, list(prices)
        norm = sum(gap * gap for gap in left)
        if bound <= known or norm <= 0.0:
            break
        length = (bound - known) / norm
        prices = [price - length * gap for price, gap in zip(prices, left, strict=True)]
        prices[:free] = [max(price, 0.0) for price in prices[:free]]
    whole = (
        int(Fraction(price) * goal.unit / cap)
        for price, cap in zip(best, packing.caps[packing.groups :], strict=True)
    )
    return (0,) * packing.groups + tuple(whole)
