"""The core's straight-line interpolation over columns: the same operations in the same order, so the same floats."""

from typing import NamedTuple

import numpy as np

from service.bulk.sixteenths import Array
from service.errors import PolicyBroken
from service.rules.context import MOST_REPS
from service.rules.curves import STEPS_PER_REP, Grid


class Line(NamedTuple):
    """A curve in pieces; the flat ends are pieces with no rise. Piece i holds from xs[i - 1]."""

    xs: tuple[float, ...]
    from_x: Array
    width: Array
    from_y: Array
    rise: Array

    def piece(self, x: Array) -> Array:
        """Return which piece each of `x` lies on."""
        return piece_of(self.xs, x)

    def at(self, x: Array) -> Array:
        """Return the values at `x`, as `service.rules.curves.interpolate` gives them one by one."""
        piece = self.piece(x)
        along = self.rise.take(piece) * (x - self.from_x.take(piece))
        found: Array = self.from_y.take(piece) + along / self.width.take(piece)
        return found


def piece_of(xs: tuple[float, ...], x: Array) -> Array:
    """Return how many of `xs` are at or below each of `x`."""
    piece = np.zeros(len(x), np.uint8)
    for start in xs:
        piece += (x >= start).view(np.uint8)
    return piece


def line_of(xs: tuple[float, ...], ys: tuple[float, ...]) -> Line:
    """Return the pieces of straight lines through (xs, ys)."""
    if len(xs) >= np.iinfo(np.uint8).max:
        raise PolicyBroken(f"bulk takes curves of fewer than {np.iinfo(np.uint8).max} points")
    inner_x, inner_y = np.array(xs), np.array(ys)
    return Line(
        xs=xs,
        from_x=np.array([0.0, *inner_x[:-1], 0.0]),
        width=np.array([1.0, *np.diff(inner_x), 1.0]),
        from_y=np.array([ys[0], *inner_y[:-1], ys[-1]]),
        rise=np.array([0.0, *np.diff(inner_y), 0.0]),
    )


class GridLines(NamedTuple):
    """A grid over rep targets and load: two lines for each rep target, and how far to go from one to the other."""

    columns: tuple[float, ...]
    missing_column: float
    from_x: Array
    width: Array
    near_y: Array
    near_rise: Array
    far_y: Array
    far_rise: Array
    gone: Array
    apart: Array

    def at(self, rep_target: Array, load: Array) -> Array:
        """Return the effects [sixteenths], as `interpolate_grid` and `in_steps` give them one by one."""
        piece = piece_of(self.columns, load)
        cell = rep_target.astype(np.intp)
        gone, apart = self.gone.take(cell), self.apart.take(cell)
        cell *= len(self.columns) + 1
        cell += piece
        along, width = load - self.from_x.take(piece), self.width.take(piece)
        near = self.near_rise.take(cell)
        near *= along
        near /= width
        near += self.near_y.take(cell)
        far = self.far_rise.take(cell)
        far *= along
        far /= width
        far += self.far_y.take(cell)
        far -= near
        far *= gone
        far /= apart
        far += near
        far *= STEPS_PER_REP
        return np.rint(far, out=far).astype(np.int16)


def grid_of(grid: Grid) -> GridLines:
    """Return the lines of `grid`, whose rows are rep targets."""
    lines = [line_of(grid.columns, values) for values in grid.values]
    near, far, gone, apart = [0], [0], [0.0], [1.0]
    for reps in range(1, MOST_REPS + 1):
        below = max(sum(row <= reps for row in grid.rows) - 1, 0)
        between = below + 1 < len(grid.rows) and reps > grid.rows[below]
        near.append(below)
        far.append(below + 1 if between else below)
        gone.append(reps - grid.rows[below] if between else 0.0)
        apart.append(grid.rows[below + 1] - grid.rows[below] if between else 1.0)
    return GridLines(
        columns=grid.columns,
        missing_column=grid.missing_column,
        from_x=lines[0].from_x,
        width=lines[0].width,
        near_y=np.concatenate([lines[row].from_y for row in near]),
        near_rise=np.concatenate([lines[row].rise for row in near]),
        far_y=np.concatenate([lines[row].from_y for row in far]),
        far_rise=np.concatenate([lines[row].rise for row in far]),
        gone=np.array(gone),
        apart=np.array(apart),
    )
