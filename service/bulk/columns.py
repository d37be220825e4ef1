"""From Arrow columns to checked rows. A row in doubt is marked, to be looked at by the API's own code."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import inspect

from service.bulk.axes import (
    CAUTIONS,
    EQUIPMENT,
    EXPERIENCES,
    GOALS,
    JOINTS,
    LIFT_CODES,
    LIFTS,
    Lift,
)
from service.bulk.members import MEMBERS
from service.bulk.rows import Rows
from service.bulk.sixteenths import Array
from service.rules.policy import PolicyData

Columns = dict[str, pa.Array]


class Bounds(NamedTuple):
    """Least and most of a number, and whether the least itself is allowed."""

    least: float
    most: float
    open_below: bool = False


def _bounds(name: str) -> Bounds:
    """The bounds of a member, as its type has them."""
    kind = MEMBERS[name]
    if not isinstance(kind, inspect.IntType | inspect.FloatType):
        raise TypeError(f"{name} is no number")
    least, most = kind.gt if kind.ge is None else kind.ge, kind.le
    if least is None or most is None:
        raise TypeError(f"{name} has no bounds")
    return Bounds(least, most, open_below=kind.ge is None)


def _bounds_of(kind: type[inspect.Type]) -> dict[str, Bounds]:
    return {name: _bounds(name) for name, each in MEMBERS.items() if isinstance(each, kind)}


WHOLE = _bounds_of(inspect.IntType)
BIAS = {name: _bounds(name) for name in MEMBERS if name.startswith("reporting_bias.")}
NUMBERS = {name: bounds for name, bounds in _bounds_of(inspect.FloatType).items() if name not in BIAS}


class Doubts:
    """Which rows are in doubt; `mask` is None as long as none is."""

    def __init__(self, rows: int) -> None:
        self.rows = rows
        self.mask: Array | None = None

    def add(self, found: Array) -> None:
        """Doubt these rows too."""
        if found.any():
            self.mask = found.copy() if self.mask is None else self.mask | found


def _told(column: pa.Array | None) -> pa.Array | None:
    """The column, None when it tells nothing of any row."""
    return None if column is None or column.null_count == len(column) else column


def known_mask(column: pa.Array) -> Array:
    """Return which rows have a value."""
    found: Array = column.is_valid().to_numpy(zero_copy_only=False)
    return found


def _outside(values: Array, bounds: Bounds, *, whole: bool) -> Array | None:
    """Rows out of bounds, not a number, or not whole where they must be; None when every row is sound."""
    least, most = values.min(initial=bounds.most), values.max(initial=bounds.least)
    sound = (
        bounds.least <= least and most <= bounds.most and not (bounds.open_below and least <= bounds.least)
    )
    fractions = whole and values.dtype.kind == "f"
    if sound and not fractions:
        return None
    inside = (values >= bounds.least) & (values <= bounds.most)
    if bounds.open_below:
        inside &= values > bounds.least
    if fractions:
        inside &= values == np.floor(values)
    return None if inside.all() else ~inside


def number(
    column: pa.Array | None, bounds: Bounds, unknown: float, doubts: Doubts, *, whole: bool = False
) -> Array | None:
    """Return a column of numbers with `unknown` for null; None when nobody tells. Doubtful rows get a sound value."""
    told = _told(column)
    if told is None:
        return None
    values: Array = (told.fill_null(int(bounds.least) or 1) if told.null_count else told).to_numpy(
        zero_copy_only=False
    )
    outside = _outside(values, bounds, whole=whole)
    if outside is not None:
        doubts.add(outside & known_mask(told) if told.null_count else outside)
        values = np.where(outside, bounds.most, values)
    values = values.astype(np.uint8 if whole else np.float64, copy=False)
    if told.null_count:
        values = np.where(known_mask(told), values, values.dtype.type(unknown))
    return values


def codes(
    column: pa.Array | None, code_of: Callable[[str], int | None], unknown: int, doubts: Doubts
) -> Array | None:
    """Return a column of text as small codes, `unknown` for null; None when nobody tells.

    `code_of` is asked once for each distinct text, and answers None for what is in doubt.
    """
    told = _told(column)
    if told is None:
        return None
    coded = told if pa.types.is_dictionary(told.type) else told.dictionary_encode()
    found = [None if text is None else code_of(text) for text in coded.dictionary.to_pylist()]
    by_index = np.array([unknown if code is None else code for code in found] + [unknown], np.uint8)
    index: Array = coded.indices.fill_null(len(found)).to_numpy(zero_copy_only=False)
    if None in found:
        strange = np.array([code is None for code in found] + [False])
        if coded.dictionary.null_count:  # a null spelt by the dictionary is a null all the same
            strange[:-1] &= known_mask(coded.dictionary)
        doubts.add(strange.take(index))
    result: Array = by_index.take(index)
    return result


def flags(column: pa.Array | None) -> Array | None:
    """Return a column of true and false, false for null; None when nobody tells."""
    told = _told(column)
    if told is None:
        return None
    found: Array = told.fill_null(False).to_numpy(zero_copy_only=False)
    return found


def caution_bits(column: pa.Array | None, doubts: Doubts) -> Array | None:
    """Return lists of cautions as bits; None when nobody tells. Unknown, null and repeated ones are in doubt."""
    told = _told(column)
    if told is None:
        return None
    lengths: Array = pc.list_value_length(told).fill_null(0).to_numpy(zero_copy_only=False)
    values = told.flatten()
    if not len(values):
        return None
    unknown = len(CAUTIONS)
    code = codes(values, _vocabulary(CAUTIONS), unknown, Doubts(len(values)))
    each = np.zeros(len(values), np.uint8) if code is None else np.left_shift(1, code).astype(np.uint8)
    bits = np.zeros(len(told), np.uint8)
    some = np.flatnonzero(lengths)
    starts = np.cumsum(lengths[some]) - lengths[some]
    bits[some] = np.bitwise_or.reduceat(each, starts)
    doubts.add(np.bitwise_count(bits) != lengths)
    return bits


def _vocabulary(values: Sequence[str | None]) -> Callable[[str], int | None]:
    known = {value: code for code, value in enumerate(values)}

    def code_of(text: str) -> int | None:
        return known.get(text)

    return code_of


def _lift_of_exercise(data: PolicyData) -> Callable[[str], int | None]:
    def code_of(exercise: str) -> int | None:
        known = data.exercises.get(exercise)
        return None if known is None else LIFT_CODES[Lift(known.joints, known.equipment, known.under_bar)]

    return code_of


def _of_traits(columns: Columns, doubts: Doubts) -> tuple[Array, Array] | None:
    """Lifts by traits and which rows have any; None when none has."""
    named = [name for name in MEMBERS if name.startswith("exercise_traits.")]
    told = {name: column for name in named if (column := _told(columns.get(name))) is not None}
    if not told:
        return None
    some = np.logical_or.reduce([known_mask(column) for column in told.values()])
    joints_column = told.get("exercise_traits.joints")
    with_joints = np.zeros(doubts.rows, np.bool_) if joints_column is None else known_mask(joints_column)
    doubts.add(some & ~with_joints)
    if (muscles := told.get("exercise_traits.muscles")) is not None:
        doubts.add(known_mask(muscles))
    joints = codes(joints_column, _vocabulary(JOINTS), 0, doubts)
    equipment = codes(told.get("exercise_traits.equipment"), _vocabulary(EQUIPMENT), 0, doubts)
    under_bar = flags(told.get("exercise_traits.under_bar"))
    code = np.zeros(doubts.rows, np.uint8)
    for size, part in ((len(JOINTS), joints), (len(EQUIPMENT), equipment), (2, under_bar)):
        code *= np.uint8(size)
        code += np.uint8(0) if part is None else part.astype(np.uint8)
    return code, some


def _lifts(columns: Columns, neutral: int, data: PolicyData, doubts: Doubts) -> Array | None:
    unknown = len(LIFTS)
    exercise = codes(columns.get("exercise"), _lift_of_exercise(data), unknown, doubts)
    traits = _of_traits(columns, doubts)
    if traits is None:
        return None if exercise is None else np.where(exercise == unknown, np.uint8(neutral), exercise)
    code, some = traits
    if exercise is None:
        return np.where(some, code, np.uint8(neutral))
    doubts.add(some & known_mask(columns["exercise"]))
    return np.where(some, code, np.where(exercise == unknown, np.uint8(neutral), exercise))


def _order_doubts(order: Array | None, count: Array | None, doubts: Doubts) -> None:
    if order is not None and count is not None:
        doubts.add((order > count) & (count > 0))


def _neutral_number(name: str, data: PolicyData) -> float:
    unknown = {"load_percent_1rm": np.nan, "later_overlapping_sets": np.nan, "plan_shift_reps": 0.0}
    return float(unknown[name] if name in unknown else getattr(data.defaults.values, name))


def rows_of(columns: Columns, data: PolicyData, neutral: dict[str, int], doubts: Doubts) -> Rows:
    """Return columns as checked rows for one policy; what is in doubt is added to `doubts` and stands for something.

    `neutral` are the codes of what nobody tells. Expects columns of the types of `members.layout_of`.
    """
    whole = {name: number(columns.get(name), bounds, 0, doubts, whole=True) for name, bounds in WHOLE.items()}
    numbers = {
        name: number(columns.get(name), bounds, _neutral_number(name, data), doubts)
        for name, bounds in NUMBERS.items()
    }
    reps = whole.pop("rep_target")
    if reps is None:
        reps = np.zeros(doubts.rows, np.uint8)
    doubts.add(reps == 0)
    _order_doubts(whole["exercise_order"], whole["exercises_in_session"], doubts)
    _order_doubts(whole["set_order"], whole["sets_in_exercise"], doubts)
    shift = numbers["plan_shift_reps"]
    if shift is not None and not any("plan_shift_reps" in factor.inputs for factor in data.factors):
        doubts.add(known_mask(columns["plan_shift_reps"]))
    return Rows(
        rep_target=reps,
        **whole,
        **numbers,
        experience=codes(columns.get("experience"), _vocabulary(EXPERIENCES), neutral["experience"], doubts),
        goal=codes(columns.get("goal"), _vocabulary(GOALS), neutral["goal"], doubts),
        lift=_lifts(columns, neutral["lift"], data, doubts),
        deload=flags(columns.get("deload")),
        spotter=flags(columns.get("spotter")),
        safety_arms=flags(columns.get("safety_arms")),
        cautions=caution_bits(columns.get("cautions"), doubts),
    )


def bias_of(columns: Columns, doubts: Doubts) -> Array | None:
    """Return mean reporting bias [repetitions], NaN where none is told; None when nobody tells.

    A mean without its standard deviation, or the other way round, is in doubt.
    """
    mean, sd = (number(columns.get(name), bounds, np.nan, doubts) for name, bounds in BIAS.items())
    if mean is None and sd is None:
        return None
    absent = np.full(doubts.rows, np.nan)
    mean, sd = absent if mean is None else mean, absent if sd is None else sd
    doubts.add(np.isnan(mean) != np.isnan(sd))
    return mean
