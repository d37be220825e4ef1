"""A policy as tables for columns: built once from its data, through the same compiled core that answers one by one."""

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import NamedTuple

import numpy as np

from service.bulk.axes import (
    AXES,
    CATEGORICAL,
    PlaceTables,
    facts_at,
    neutral_codes,
    place_tables,
    strides,
)
from service.bulk.framing import Framing, framing_of
from service.bulk.sixteenths import Array, Steps, sixteenths, steps_of
from service.bulk.straight_lines import GridLines, Line, grid_of, line_of
from service.errors import PolicyBroken
from service.rules.compiled import Policy
from service.rules.curves import Curve, Grid, Table
from service.rules.factors import Compiled, Effect
from service.rules.policy import Factor

# Four numbers of 16 bits in one of 64, so that one addition adds all: sum, stay-away, discounts, which factors speak.
LANES = np.dtype([("total", "<u2"), ("stay_away", "<u2"), ("discount", "<u2"), ("told", "<u2")])
LANE_BITS, LANE_COUNT = 16, 4
MOST_SUMMED = LANE_BITS
NUMBERS = (
    "later_overlapping_sets",
    "effective_exposures",
    "nearest_training_hours",
    "failure_share_7d",
    "plan_shift_reps",
)
GRID_INPUTS = ("rep_target", "load_percent_1rm")


class Packed(NamedTuple):
    """Entries of lanes, each lane less its least, so that none is below nothing; `least` by lane [sixteenths]."""

    lanes: Array
    least: tuple[int, int, int]


class CurveTable(NamedTuple):
    """One factor read off one number."""

    place: int
    number: str
    steps: Steps
    packed: Packed
    effect_reps: Array


class CategoricalTables(NamedTuple):
    """All factors that read words and places, over all combinations of them; effects [repetitions] by place.

    `neutral` are the codes of what nobody tells.
    """

    strides: dict[str, int]
    neutral: dict[str, int]
    packed: Packed
    effect_reps: dict[int, Array]


class GridTable(NamedTuple):
    """One factor read off rep target and load."""

    place: int
    lines: GridLines
    stays: bool
    discounts: bool


@dataclass(frozen=True, eq=False, slots=True)
class PolicyTables:
    """Everything a policy says about one set, but for the words."""

    policy: Policy
    places: PlaceTables
    categorical: CategoricalTables
    curves: tuple[CurveTable, ...]
    grids: tuple[GridTable, ...]
    retention: Line
    framing: Framing


def _bit(place: int) -> int:
    return 1 << place


def _packed(effects: Array) -> Packed:
    """Pack rows of sum, stay-away, discounts [sixteenths] and bits of the factors that speak."""
    least = effects[:, :-1].min(axis=0)
    columns = effects - np.array([*least, 0])
    shifts = np.arange(LANE_COUNT, dtype=np.int64) * LANE_BITS
    lanes = (columns << shifts).sum(axis=1).astype("<i8")
    return Packed(lanes, (int(least[0]), int(least[1]), int(least[2])))


def _parts(effect: Effect) -> tuple[int, int, int]:
    return sixteenths(effect.effect_reps), sixteenths(effect.stay_away_reps), sixteenths(effect.discount_reps)


def _part_of_curve(factor: Factor, value: int) -> tuple[int, int, int]:
    stay_away = value if factor.stay_away and value > 0 else 0
    return value, stay_away, value if factor.discount and value < 0 else 0


def _reps(values: Array) -> Array:
    return (values / sixteenths(1.0)).astype(np.float32)


def _over_axes(policy: Policy, factor: Compiled) -> Array:
    """Sum, stay-away, discounts [sixteenths] of one factor over all axes; the last index says which of the three."""
    inputs = next(each.inputs for each in policy.data.factors if each.name == factor.name)
    read = [(name, values) for name, values, names in AXES if set(names) & set(inputs)]
    parts = [
        _parts(
            factor.effect(facts_at(dict(zip([name for name, _ in read], values, strict=True)), policy.data))
        )
        for values in product(*(values for _, values in read))
    ]
    known = [name for name, _ in read]
    shape = [len(values) if name in known else 1 for name, values, _ in AXES]
    return np.array(parts, np.int64).reshape(*shape, LANE_COUNT - 1)


def _categorical(policy: Policy, factors: list[tuple[int, Compiled]]) -> CategoricalTables:
    shape = tuple(len(values) for _, values, _ in AXES)
    lanes, effects = np.zeros((*shape, LANE_COUNT), np.int64), dict[int, Array]()
    for place, factor in factors:
        parts = np.broadcast_to(_over_axes(policy, factor), (*shape, LANE_COUNT - 1))
        lanes[..., :-1] += parts
        lanes[..., -1] |= np.where(parts[..., 0], _bit(place), 0)
        effects[place] = _reps(parts[..., 0].ravel())
    packed = _packed(lanes.reshape(-1, LANE_COUNT))
    return CategoricalTables(strides(), neutral_codes(policy.data), packed, effects)


def _curve(place: int, factor: Factor, curve: Curve) -> CurveTable:
    steps = steps_of(curve)
    values = [int(value) for value in steps.values]
    rows = [(*_part_of_curve(factor, value), _bit(place) if value else 0) for value in values]
    packed = _packed(np.array(rows, np.int64))
    return CurveTable(place, factor.inputs[0], steps, packed, _reps(steps.values))


def _unknown(factor: Factor) -> PolicyBroken:
    return PolicyBroken(f"bulk cannot tabulate factor {factor.name} over {', '.join(factor.inputs)}")


class _Sorted(NamedTuple):
    categorical: list[tuple[int, Compiled]]
    curves: list[CurveTable]
    grids: list[GridTable]


def _sort(summed: list[tuple[int, Compiled, Factor]]) -> _Sorted:
    found = _Sorted([], [], [])
    for place, factor, data in summed:
        shape = data.shape
        if isinstance(shape, Table) and set(data.inputs) <= CATEGORICAL:
            found.categorical.append((place, factor))
        elif isinstance(shape, Curve) and data.inputs[0] in NUMBERS:
            found.curves.append(_curve(place, data, shape))
        elif isinstance(shape, Grid) and data.inputs == GRID_INPUTS:
            found.grids.append(GridTable(place, grid_of(shape), data.stay_away, data.discount))
        else:
            raise _unknown(data)
    return found


@lru_cache(maxsize=16)
def tables_of(policy: Policy) -> PolicyTables:
    """Return the tables of `policy`; they take some tenths of a second to build, once.

    Raises PolicyBroken for a factor that reads what bulk has no column for: better none than another answer.
    """
    by_name = {factor.name: factor for factor in policy.data.factors}
    summed = [(place, factor, by_name[factor.name]) for place, factor in enumerate(policy.summed)]
    if len(summed) > MOST_SUMMED:
        raise PolicyBroken(f"bulk takes up to {MOST_SUMMED} factors in the sum, not {len(summed)}")
    found = _sort(summed)
    accustoming = policy.data.accustoming
    return PolicyTables(
        policy=policy,
        places=place_tables(policy.data),
        categorical=_categorical(policy, found.categorical),
        curves=tuple(found.curves),
        grids=tuple(found.grids),
        retention=line_of(accustoming.retention_days, accustoming.retention_share),
        framing=framing_of(policy),
    )
