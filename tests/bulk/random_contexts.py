"""Random set contexts as columns, with every boundary of every policy and its neighbours among the floats."""

from itertools import pairwise
from typing import Any, get_args

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from service.policy.catalogue import Policies
from service.rules.context import Caution
from service.rules.curves import STEPS_PER_REP, Curve, Grid
from service.rules.policy import PolicyData

Array = NDArray[Any]
MOST = {
    "load_percent_1rm": 100.0,
    "later_overlapping_sets": 100.0,
    "exposures": 10_000.0,
    "days_since_last_exposure": 10_000.0,
    "hours_since_muscle_trained": 10_000.0,
    "hours_until_muscle_trained": 10_000.0,
    "failure_share_7d": 1.0,
}
USUAL = {
    "load_percent_1rm": 100.0,
    "later_overlapping_sets": 6.0,
    "exposures": 6.0,
    "days_since_last_exposure": 220.0,
    "hours_since_muscle_trained": 80.0,
    "hours_until_muscle_trained": 80.0,
    "failure_share_7d": 1.0,
    "plan_shift_reps": 5.0,
}
FIELD_OF_INPUT = {
    "effective_exposures": ("exposures",),
    "nearest_training_hours": ("hours_since_muscle_trained", "hours_until_muscle_trained"),
}
CAUTIONS = get_args(Caution)


def _half_steps(xs: tuple[float, ...], ys: tuple[float, ...]) -> list[float]:
    """Where straight lines cross the middle between two sixteenths: there rounding tips over."""
    found = []
    for (x0, x1), (y0, y1) in zip(pairwise(xs), pairwise(ys), strict=True):
        low, high = sorted((y0, y1))
        steps = range(int(low * STEPS_PER_REP), int(high * STEPS_PER_REP))
        found += [x0 + (x1 - x0) * ((step + 0.5) / STEPS_PER_REP - y0) / (y1 - y0) for step in steps]
    return found


def boundaries(data: PolicyData) -> dict[str, list[float]]:
    """Return by field every number at which one policy changes its mind, and the ends of the range."""
    found: dict[str, list[float]] = {name: [0.0, most] for name, most in MOST.items()}
    found["plan_shift_reps"] = [-5.0, 0.0, 5.0]
    found["days_since_last_exposure"] += data.accustoming.retention_days
    found["exposures"].append(data.accustoming.full_exposures)
    for factor in data.factors:
        shape = factor.shape
        if isinstance(shape, Curve):
            for field in FIELD_OF_INPUT.get(factor.inputs[0], factor.inputs):
                found[field] += [*shape.xs, *_half_steps(shape.xs, shape.ys)]
        elif isinstance(shape, Grid):
            for line in shape.values:
                found["load_percent_1rm"] += [*shape.columns, *_half_steps(shape.columns, line)]
    return found


def _neighbours(values: list[float]) -> Array:
    at = np.unique(np.array(values))
    near = [at]
    for _ in range(3):
        near.append(np.nextafter(near[-1], np.inf))
    for _ in range(3):
        near.append(np.nextafter(near[-1] if len(near) > 4 else at, -np.inf))
    return np.unique(np.concatenate(near))


def _numbers(random: np.random.Generator, rows: int, name: str, at: Array) -> pa.Array:
    low = -USUAL[name] if name == "plan_shift_reps" else 0.0
    kind = random.random(rows)
    values = random.uniform(low, USUAL[name], rows)
    values = np.where(kind < 0.5, random.choice(at, rows), values)
    values = np.where(kind > 0.9, np.round(values), values)
    most, least = MOST.get(name, 5.0), low
    values = np.clip(values, least if name != "load_percent_1rm" else np.nextafter(0, 1), most)
    return pa.array(values, mask=random.random(rows) < 0.3)


def _words(random: np.random.Generator, rows: int, words: tuple[str, ...], null: float = 0.3) -> pa.Array:
    return (
        pa.array(np.array(words)[random.integers(0, len(words), rows)].tolist(), pa.string()).filter(
            pa.array(np.ones(rows, np.bool_))
        )
        if not null
        else pa.DictionaryArray.from_arrays(
            pa.array(random.integers(0, len(words), rows).astype(np.int32), mask=random.random(rows) < null),
            pa.array(words),
        )
    )


def _flags(random: np.random.Generator, rows: int) -> pa.Array:
    return pa.array(random.random(rows) < 0.5, mask=random.random(rows) < 0.4)


def _places(random: np.random.Generator, rows: int, most: int) -> tuple[pa.Array, pa.Array]:
    count = random.integers(1, most + 1, rows)
    order = random.integers(1, count + 1)
    return (
        pa.array(order, mask=random.random(rows) < 0.2),
        pa.array(count, mask=random.random(rows) < 0.2),
    )


def _cautions(random: np.random.Generator, rows: int, *, warning: bool) -> pa.Array:
    known = CAUTIONS if warning else CAUTIONS[:-1]
    found: list[list[str] | None] = []
    for kind in random.random(rows).tolist():
        count = 0 if kind < 0.6 else 1 if kind < 0.85 else int(random.integers(2, len(known) + 1))
        chosen = random.permutation(len(known))[:count].tolist()
        found.append(None if kind < 0.5 else [known[place] for place in chosen])
    return pa.array(found, pa.list_(pa.string()))


def _traits(random: np.random.Generator, rows: int, some: Array) -> pa.Array:
    joints = np.array(("multi", "single"))[random.integers(0, 2, rows)]
    equipment = np.array(("barbell", "dumbbell", "machine", "cable", "bodyweight", "band"))[
        random.integers(0, 6, rows)
    ]
    parts = {
        "joints": pa.array(joints.tolist()),
        "equipment": pa.array(equipment.tolist(), mask=random.random(rows) < 0.3),
        "under_bar": _flags(random, rows),
    }
    return pa.StructArray.from_arrays(list(parts.values()), list(parts), mask=pa.array(~some))


def _bias(random: np.random.Generator, rows: int) -> pa.Array:
    parts = {
        "mean_reps": pa.array(np.round(random.uniform(-5, 5, rows) * 4) / 4),
        "sd_reps": pa.array(random.uniform(0, 5, rows)),
    }
    return pa.StructArray.from_arrays(
        list(parts.values()), list(parts), mask=pa.array(random.random(rows) < 0.5)
    )


def random_columns(rows: int, seed: int, policies: Policies, *, warning: bool = True) -> pa.RecordBatch:
    """Return `rows` valid contexts, of every policy version, and an id to carry through."""
    random = np.random.default_rng(seed)
    at: dict[str, list[float]] = {}
    for policy in policies.versions:
        for name, values in boundaries(policy.data).items():
            at.setdefault(name, []).extend(values)
    exercises = tuple(policies.newest.data.exercises)
    exercise = _words(random, rows, exercises, 0.4)
    some = ~exercise.is_valid().to_numpy(zero_copy_only=False) & (random.random(rows) < 0.6)
    columns: dict[str, pa.Array] = {
        "lifter": pa.array([f"lifter-{number} é" for number in range(rows)]),
        "rep_target": pa.array(random.choice([*range(1, 51), *range(1, 22)], rows)),
        "exercise": exercise,
        "exercise_traits": _traits(random, rows, some),
        "experience": _words(random, rows, ("novice", "intermediate", "advanced")),
        "goal": _words(random, rows, ("hypertrophy", "strength", "power", "local_endurance")),
        "cautions": _cautions(random, rows, warning=warning),
        "reporting_bias": _bias(random, rows),
        **{name: _flags(random, rows) for name in ("deload", "spotter", "safety_arms")},
        **{name: _numbers(random, rows, name, _neighbours(values)) for name, values in at.items()},
    }
    columns["exercise_order"], columns["exercises_in_session"] = _places(random, rows, 30)
    columns["set_order"], columns["sets_in_exercise"] = _places(random, rows, 5)
    return pa.record_batch(_with_policy(columns, random, rows, policies))


def _with_policy(
    columns: dict[str, pa.Array], random: np.random.Generator, rows: int, policies: Policies
) -> dict[str, pa.Array]:
    versions = tuple(policy.version for policy in policies.versions)
    columns["policy"] = _words(random, rows, versions)
    # the oldest version knows no shift: most of its rows tell of none
    oldest = np.array([each == versions[0] for each in columns["policy"].to_pylist()])
    shift = columns["plan_shift_reps"]
    hidden = oldest & (random.random(rows) < 0.95) | ~shift.is_valid().to_numpy(zero_copy_only=False)
    columns["plan_shift_reps"] = pa.array(shift.fill_null(0.0).to_numpy(), mask=hidden)
    return columns


def without_nulls(value: Any) -> Any:
    """Return a row as a caller would send it: what is null is left out."""
    if isinstance(value, dict):
        return {name: without_nulls(each) for name, each in value.items() if each is not None}
    return value
