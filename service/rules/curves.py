"""Shapes that policy data may take: table, piecewise-linear curve, grid over two inputs."""

from bisect import bisect_right
from collections.abc import Sequence

from msgspec import Struct

from service.rules.answer import Grade

# Effects are multiples of 1/16 repetition. Such numbers add up exactly in binary, in any order, so the
# ledger's sum is the target to the last bit. A sixteenth is far below any reporting error.
STEPS_PER_REP = 16

InputKey = tuple[object, ...]


class Level(Struct, frozen=True, kw_only=True):
    """One row of a table: the effect [repetitions] and what to say. None inherits from the factor."""

    effect_reps: float
    text: str
    evidence: tuple[str, ...] | None = None
    grade: Grade | None = None


class Table(Struct, frozen=True, kw_only=True, tag="table"):
    """An effect for every combination of its categorical inputs."""

    levels: dict[InputKey, Level]


class TextBand(Struct, frozen=True, kw_only=True):
    """The sentence used when the effect is at least `from_effect` [repetitions]."""

    from_effect: float
    text: str


class Curve(Struct, frozen=True, kw_only=True, tag="curve"):
    """Straight lines between points, held flat outside. `xs` ascend strictly."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    texts: tuple[TextBand, ...] = ()


class Grid(Struct, frozen=True, kw_only=True, tag="grid"):
    """Bilinear over two numeric inputs, held flat outside. `missing_column` stands in for an unknown."""

    rows: tuple[float, ...]
    columns: tuple[float, ...]
    values: tuple[tuple[float, ...], ...]
    missing_column: float
    texts: tuple[TextBand, ...] = ()


def interpolate(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Value at `x` on straight lines through (xs, ys); the end values are held outside."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    right = bisect_right(xs, x)
    x0, y0 = xs[right - 1], ys[right - 1]
    return y0 + (ys[right] - y0) * (x - x0) / (xs[right] - x0)


def interpolate_grid(grid: Grid, row: float, column: float | None) -> float:
    """Value at (row, column); an unknown column reads as `grid.missing_column`."""
    at = grid.missing_column if column is None else column
    below = max(bisect_right(grid.rows, row) - 1, 0)
    above = min(below + 1, len(grid.rows) - 1)
    near = interpolate(grid.columns, grid.values[below], at)
    if above == below or row <= grid.rows[below]:
        return near
    far = interpolate(grid.columns, grid.values[above], at)
    return near + (far - near) * (row - grid.rows[below]) / (grid.rows[above] - grid.rows[below])


def in_steps(effect: float) -> float:
    """`effect` [repetitions] on the sixteenth-of-a-rep grid, never negative zero."""
    return round(effect * STEPS_PER_REP) / STEPS_PER_REP + 0.0
