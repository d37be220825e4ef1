"""Contexts as columns, and what factors read off them."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from msgspec import Struct

from service.bulk.axes import PLACES
from service.bulk.sixteenths import Array
from service.bulk.tables import PolicyTables

PIECE_ROWS = 16_384  # a piece and its tables fit into a core's cache


class Rows(Struct, frozen=True, kw_only=True):
    """Contexts as columns, checked, every default filled in. None: nobody tells of it.

    Places are numbers with 0 for unknown; `goal`, `experience` and `lift` are codes of `axes`, `cautions` bits in the
    order of the vocabulary. `load_percent_1rm` and `later_overlapping_sets` are NaN where unknown.
    """

    rep_target: Array
    load_percent_1rm: Array | None = None
    exercise_order: Array | None = None
    exercises_in_session: Array | None = None
    set_order: Array | None = None
    sets_in_exercise: Array | None = None
    later_overlapping_sets: Array | None = None
    exposures: Array | None = None
    days_since_last_exposure: Array | None = None
    hours_since_muscle_trained: Array | None = None
    hours_until_muscle_trained: Array | None = None
    failure_share_7d: Array | None = None
    plan_shift_reps: Array | None = None
    experience: Array | None = None
    goal: Array | None = None
    lift: Array | None = None
    deload: Array | None = None
    spotter: Array | None = None
    safety_arms: Array | None = None
    cautions: Array | None = None

    def piece(self, start: int, end: int) -> "Rows":
        """Return rows `start` up to `end`."""
        columns = {name: getattr(self, name) for name in self.__struct_fields__}
        cut: dict[str, Any] = {
            name: None if each is None else each[start:end] for name, each in columns.items()
        }
        return Rows(**cut)


def pieces(rows: Rows) -> Iterator[tuple[int, Rows]]:
    """Yield the rows in pieces, each with its first row."""
    for start in range(0, len(rows.rep_target), PIECE_ROWS):
        yield start, rows.piece(start, start + PIECE_ROWS)


def _places(order: Array | None, count: Array | None) -> Array | int:
    if order is None and count is None:
        return 0
    place: Array | int = 0 if order is None else order.astype(np.uint16) * np.uint16(PLACES)
    return place if count is None else place + count.astype(np.uint16)


def _positions(rows: Rows, tables: PolicyTables) -> tuple[Array | int, Array | int]:
    """Codes of the set's and of the exercise's position."""
    places = tables.places
    set_at = places.set_position.take(_places(rows.set_order, rows.sets_in_exercise))
    place = _places(rows.exercise_order, rows.exercises_in_session)
    later = rows.later_overlapping_sets
    unknown, known = places.exercise_position
    if later is None:
        return set_at, unknown.take(place)
    return set_at, np.where(np.isnan(later), unknown.take(place), known.take(place))


def categories(rows: Rows, tables: PolicyTables) -> Array:
    """Places in the table over all categorical axes."""
    set_at, exercise_at = _positions(rows, tables)
    told: dict[str, Array | int | None] = {
        "set_position": set_at,
        "exercise_position": exercise_at,
        "lift": rows.lift,
        "experience": rows.experience,
        "deload": rows.deload,
        "goal": rows.goal,
    }
    total = np.zeros(len(rows.rep_target), np.uint16)
    for name, stride in tables.categorical.strides.items():
        code = told[name]
        if code is None:
            code = tables.categorical.neutral[name]
        total += np.multiply(code, np.uint16(stride), dtype=np.uint16)
    return total


def effective_exposures(rows: Rows, tables: PolicyTables) -> Array | float:
    """Sessions that still protect [sessions], as the core counts them."""
    data = tables.policy.data
    neutral, days = data.defaults.values, rows.days_since_last_exposure
    exposures = neutral.exposures if rows.exposures is None else rows.exposures
    least = np.minimum(exposures, data.accustoming.full_exposures)
    away = np.array([neutral.days_since_last_exposure]) if days is None else days
    kept = tables.retention.at(away)
    return least * (kept[0] if days is None else kept)


def _nearest(rows: Rows, tables: PolicyTables) -> Array | float:
    neutral = tables.policy.data.defaults.values
    since, until = rows.hours_since_muscle_trained, rows.hours_until_muscle_trained
    return np.minimum(
        neutral.hours_since_muscle_trained if since is None else since,
        neutral.hours_until_muscle_trained if until is None else until,
    )


def _later(rows: Rows, _: PolicyTables) -> Array | float:
    later = rows.later_overlapping_sets
    return 0.0 if later is None else np.nan_to_num(later, nan=0.0)


def _share(rows: Rows, tables: PolicyTables) -> Array | float:
    share = rows.failure_share_7d
    return tables.policy.data.defaults.values.failure_share_7d if share is None else share


NUMBERS: dict[str, Callable[[Rows, PolicyTables], Array | float]] = {
    "later_overlapping_sets": _later,
    "effective_exposures": effective_exposures,
    "nearest_training_hours": _nearest,
    "failure_share_7d": _share,
    "plan_shift_reps": lambda rows, _: 0.0 if rows.plan_shift_reps is None else rows.plan_shift_reps,
}
