"""Targets of many contexts at once: lookups and sums of whole sixteenths, piece by piece."""

from typing import NamedTuple

import numpy as np

from service.bulk.axes import DELOADS, GOALS, LIFTS
from service.bulk.rows import NUMBERS, Rows, categories, pieces
from service.bulk.sixteenths import Array, sixteenths
from service.bulk.tables import LANES, GridTable, Packed, PolicyTables

_UNDER_BAR = np.array([lift.under_bar for lift in LIFTS])
_TOLD_LANE = "told"


class Standing(NamedTuple):
    """One piece evaluated, with all that its ledger is read off. Sums in sixteenths.

    `range_at` leads into `settling.ranges`; where `withheld` is true there is no target. `stairs` and `grid_effects`
    are by the factor's place, `told` has a bit for every factor of the sum that speaks, `frame` is the code of
    `Framing`, `settled_at` leads into the arrays of `Settling`.
    """

    range_at: Array
    withheld: Array | None
    categories: Array
    stairs: dict[int, Array]
    grid_effects: dict[int, Array]
    told: Array
    back: Array | None
    held: Array
    frame: Array
    settled_at: Array


class _Sums:
    """Sums over factors, of all rows of a piece [sixteenths]."""

    def __init__(self, rows: int) -> None:
        self.lanes = np.zeros(rows, "<i8")
        self.least = [0, 0, 0]
        self.grid = np.zeros(rows, np.int16)
        self.grid_stays: Array | int = 0
        self.grid_discounts: Array | int = 0
        self.grid_told: Array | int = 0

    def add(self, packed: Packed, at: Array) -> None:
        self.lanes += packed.lanes.take(at)
        for lane, least in enumerate(packed.least):
            self.least[lane] += least

    def lane(self, place: int) -> Array:
        name = (LANES.names or ())[place]
        return self.lanes.view(LANES)[name].view("<i2") + np.int16(self.least[place])


def _add_grid(sums: _Sums, grid: GridTable, effect: Array) -> None:
    sums.grid += effect
    if grid.stays:
        sums.grid_stays = sums.grid_stays + np.maximum(effect, 0)
    if grid.discounts:
        sums.grid_discounts = sums.grid_discounts + np.minimum(effect, 0)
    sums.grid_told = sums.grid_told | ((effect != 0).view(np.uint8) << np.uint16(grid.place))


def _grid_effect(grid: GridTable, rows: Rows) -> Array:
    load, missing = rows.load_percent_1rm, grid.lines.missing_column
    if load is None:
        load = np.full(len(rows.rep_target), missing)
    elif np.isnan(load.sum()):
        load = np.where(np.isnan(load), missing, load)
    return grid.lines.at(rows.rep_target, load)


def _given_back(sums: _Sums, total: Array, base: Array | int, careful: Array, slack: int) -> Array | None:
    """What the discount limit gives back [sixteenths]; None when it gives nothing to any row."""
    discounts = sums.lane(2) + sums.grid_discounts
    stay_away = sums.lane(1) + sums.grid_stays
    limited = (discounts != 0) & ((stay_away != 0) | careful)
    if not limited.any():
        return None
    allowed = np.minimum(base + stay_away - np.int16(slack), total - discounts)
    back: Array = np.where(limited, np.maximum(allowed - total, 0), 0).astype(np.int16)
    return back


def _flag(told: Array | None) -> Array | bool:
    return False if told is None else told


def _frames(rows: Rows, tables: PolicyTables, exposures: Array | float) -> tuple[Array, Array | None]:
    """Codes of the frames, and which rows get no target."""
    framing, neutral = tables.framing, tables.categorical.neutral
    lift = neutral["lift"] if rows.lift is None else rows.lift
    unspotted = _UNDER_BAR.take(lift) & ~(_flag(rows.spotter) | np.asarray(_flag(rows.safety_arms)))
    none = framing.classes[0]
    caution = none if rows.cautions is None else framing.classes.take(rows.cautions)
    code = framing.bands.take(rows.rep_target)
    for size, told in (
        (2, np.equal(exposures, 0.0)),
        (framing.class_count, caution),
        (2, unspotted),
        (len(DELOADS), neutral["deload"] if rows.deload is None else rows.deload),
        (len(GOALS), neutral["goal"] if rows.goal is None else rows.goal),
    ):
        code *= np.uint16(size)
        code += np.asarray(told).astype(np.uint16)
    withheld = None if rows.cautions is None else framing.withheld.take(caution)
    return code, withheld if withheld is not None and withheld.any() else None


def _effect_of_base(
    tables: PolicyTables, at: Array, stairs: dict[int, Array], grids: dict[int, Array]
) -> Array:
    if 0 in grids:
        return grids[0]
    for curve in tables.curves:
        if not curve.place:
            return curve.steps.values.take(stairs[0])
    found: Array = (tables.categorical.effect_reps[0].take(at) * sixteenths(1.0)).astype(np.int16)
    return found


def evaluated(rows: Rows, tables: PolicyTables) -> Standing:
    """Return one piece evaluated."""
    numbers = {name: NUMBERS[name](rows, tables) for name in NUMBERS}
    sums, at = _Sums(len(rows.rep_target)), categories(rows, tables)
    sums.add(tables.categorical.packed, at)
    stairs, grids = dict[int, Array](), dict[int, Array]()
    for curve in tables.curves:
        stairs[curve.place] = curve.steps.stairs(np.atleast_1d(numbers[curve.number]))
        sums.add(curve.packed, stairs[curve.place])
    for grid in tables.grids:
        grids[grid.place] = _grid_effect(grid, rows)
        _add_grid(sums, grid, grids[grid.place])
    total = sums.lane(0) + sums.grid
    frame, withheld = _frames(rows, tables, numbers["effective_exposures"])
    framing, settling = tables.framing, tables.framing.settling
    slack = sixteenths(tables.policy.data.limits.discount_slack_reps)
    base = _effect_of_base(tables, at, stairs, grids)
    back = _given_back(sums, total, base, framing.careful.take(frame), slack)
    limited = total if back is None else total + back
    windowed = np.minimum(np.maximum(limited, framing.low.take(frame)), framing.top.take(frame))
    settled_at: Array = framing.row.take(frame) * np.int32(settling.width) + (
        windowed - np.int16(settling.lowest)
    )
    return Standing(
        range_at=settling.range_at.take(settled_at),
        withheld=withheld,
        categories=at,
        stairs=stairs,
        grid_effects=grids,
        told=sums.lanes.view(LANES)[_TOLD_LANE] | sums.grid_told,
        back=back,
        held=windowed - limited,
        frame=frame,
        settled_at=settled_at,
    )


def targets(rows: Rows, tables: PolicyTables) -> Array:
    """Return the targets [repetitions] as float32, NaN where none is given: no ledger, no range, for speed."""
    found = np.empty(len(rows.rep_target), np.float32)
    reserve = np.array([each.target for each in tables.framing.settling.ranges], np.float32)
    for start, piece in pieces(rows):
        standing = evaluated(piece, tables)
        out = found[start : start + len(piece.rep_target)]
        reserve.take(standing.range_at, out=out)
        if standing.withheld is not None:
            out[standing.withheld] = np.nan
    return found
