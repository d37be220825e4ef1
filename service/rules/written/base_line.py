"""The base [repetitions] at any load and rep target: asked for again and again, for what was sent and for changes."""

from service.rules.compiled import Policy
from service.rules.curves import Grid, in_steps, interpolate
from service.rules.policy import Factor
from service.rules.written.keys import Memo, remember

MOST_LOADS = 1024
READS = ("rep_target", "load_percent_1rm")


def base_factor(policy: Policy) -> Factor:
    """Return the factor that every ledger begins with."""
    return min(policy.data.factors, key=lambda factor: factor.name != policy.summed[0].name)


def is_plain(policy: Policy) -> bool:
    """Whether the base is a grid over reps and load, never 0, no discount, and the only summed factor to read these."""
    factor = base_factor(policy)
    alone = all(policy.readers[field] == (0,) for field in READS)
    shape = factor.shape
    if not isinstance(shape, Grid) or factor.inputs != READS or factor.stay_away or factor.discount:
        return False
    return alone and all(value > 0.0 for line in shape.values for value in line)


class Line:
    """The base at one load over rep targets."""

    __slots__ = ("_line", "_rows", "known")

    def __init__(self, grid: Grid, load_percent_1rm: float) -> None:
        self._rows = grid.rows
        self._line = [interpolate(grid.columns, values, load_percent_1rm) for values in grid.values]
        self.known: dict[int, float] = {}

    def at(self, reps: int) -> float:
        """Return the base for a rep target; the same as `service.rules.curves.interpolate_grid` and its rounding."""
        found = self.known.get(reps)
        if found is None:
            found = self.known[reps] = in_steps(interpolate(self._rows, self._line, reps))
        return found


class Base:
    """The base of one policy, which has to be plain."""

    def __init__(self, policy: Policy) -> None:
        grid = base_factor(policy).shape
        if not isinstance(grid, Grid):
            raise TypeError("the base is no grid")
        self._grid = grid
        self._lines: Memo[Line] = {}

    def line(self, load_percent_1rm: float | None) -> Line:
        """Return the base at a load [% of 1RM], None when it is not known."""
        columns = self._grid.columns
        load = self._grid.missing_column if load_percent_1rm is None else load_percent_1rm
        held = min(max(load, columns[0]), columns[-1])  # flat outside
        found = self._lines.get(held)
        return found or remember(self._lines, held, Line(self._grid, held), MOST_LOADS)
