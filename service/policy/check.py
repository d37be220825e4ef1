"""Refuses policy data with a gap, a missing source, a broken law or a sentence that cannot be told."""

from collections.abc import Iterator
from itertools import pairwise, product
from typing import get_args

from service.errors import PolicyBroken
from service.rules.context import MOST_REPS, Caution, Equipment, Joints
from service.rules.curves import STEPS_PER_REP, Curve, Grid, Table
from service.rules.inputs import INPUTS
from service.rules.notes import ASSUMABLE, GENERAL_LIMITS, UNDER_BAR_UNSPOTTED
from service.rules.policy import Capacity, Factor, PolicyData, Sourced

UNSOURCED_GRADES = ("judgement", "common_practice")
MOST_TEXT = 140
# Longest value a template may have to show, e.g. the id of an exercise.
SAMPLE: dict[str, object] = {"exercise": "a_long_exercise_name", "low": 1.0, "high": 3.0, "reps": 3.0}


def check_policy(data: PolicyData) -> None:
    """Raise PolicyBroken listing everything that is wrong with `data`; return when nothing is."""
    wrong = [
        *_sources(data),
        *(fault for factor in data.factors for fault in _factor(factor)),
        *_names(data),
        *_limits(data),
        *_catalogues(data),
        *_capacity(data.capacity),
        *_texts(data),
    ]
    if wrong:
        raise PolicyBroken(f"policy {data.version}: " + "; ".join(wrong))


def _sourced(data: PolicyData) -> Iterator[tuple[str, Sourced]]:
    for factor in data.factors:
        yield factor.name, factor.source
    for window in data.limits.windows:
        yield f"window {window.from_reps}-{window.to_reps}", window.source
    for floor in data.limits.floors:
        yield f"floor {floor.code}", floor.source
    for name, family in data.capacity.families.items():
        yield f"capacity family {name}", family.source
    limits = data.limits
    yield "discount limit", limits.discount_source
    yield "rounding", limits.rounding_source
    yield "withholding", limits.withheld_source
    for name in ("defaults", "accustoming", "capacity", "cues"):
        yield name, getattr(data, name).source


def _sources(data: PolicyData) -> Iterator[str]:
    for name, source in _sourced(data):
        if not source.evidence and source.grade not in UNSOURCED_GRADES:
            yield f"{name}: grade {source.grade} needs evidence keys"
        yield from _unknown_keys(name, source.evidence, data)
    for factor in data.factors:
        if isinstance(factor.shape, Table):
            for key, level in factor.shape.levels.items():
                yield from _unknown_keys(f"{factor.name} {key}", level.evidence or (), data)
                grade = level.grade or factor.source.grade
                if level.evidence == () and grade not in UNSOURCED_GRADES:
                    yield f"{factor.name} {key}: grade {grade} needs evidence keys"


def _unknown_keys(name: str, keys: tuple[str, ...], data: PolicyData) -> Iterator[str]:
    unknown = [key for key in keys if key not in data.evidence]
    if unknown:
        yield f"{name}: no evidence entry for {', '.join(unknown)}"


def _factor(factor: Factor) -> Iterator[str]:
    shape = factor.shape
    numeric = [name for name in factor.inputs if INPUTS[name].levels is None]
    if isinstance(shape, Table):
        if numeric:
            yield f"{factor.name}: a table cannot read the numbers {numeric}"
            return
        yield from _table(factor, shape)
        return
    if len(numeric) != len(factor.inputs) or len(numeric) != (1 if isinstance(shape, Curve) else 2):
        yield f"{factor.name}: a curve reads one number and a grid two, not {list(factor.inputs)}"
        return
    if set(factor.monotone) != set(factor.inputs):
        yield f"{factor.name}: say for each of {list(factor.inputs)} whether the effect is rising or falling"
        return
    yield from _curve(factor, shape) if isinstance(shape, Curve) else _grid(factor, shape)


def _table(factor: Factor, shape: Table) -> Iterator[str]:
    for key in product(*(INPUTS[name].levels or () for name in factor.inputs)):
        if key not in shape.levels:
            yield f"{factor.name}: no level for {key}"
    for key, level in shape.levels.items():
        if (level.effect_reps * STEPS_PER_REP) % 1:
            yield f"{factor.name} {key}: {level.effect_reps} is not a multiple of 1/{STEPS_PER_REP}"
        if level.effect_reps and not level.text:
            yield f"{factor.name} {key}: an effect needs a text"


def _ascending(name: str, xs: tuple[float, ...]) -> Iterator[str]:
    if len(xs) < 1 or any(a >= b for a, b in pairwise(xs)):
        yield f"{name}: {list(xs)} must ascend strictly"


def _follows(name: str, ys: tuple[float, ...], direction: str) -> Iterator[str]:
    steps = [b - a for a, b in pairwise(ys)]
    if any(step < 0 if direction == "rising" else step > 0 for step in steps):
        yield f"{name}: {list(ys)} is not {direction}"


def _curve(factor: Factor, shape: Curve) -> Iterator[str]:
    yield from _ascending(factor.name, shape.xs)
    yield from _follows(factor.name, shape.ys, factor.monotone[factor.inputs[0]])
    yield from _bands(factor, min(shape.ys))


def _grid(factor: Factor, shape: Grid) -> Iterator[str]:
    yield from _ascending(f"{factor.name} rows", shape.rows)
    yield from _ascending(f"{factor.name} columns", shape.columns)
    if [len(line) for line in shape.values] != [len(shape.columns)] * len(shape.rows):
        yield f"{factor.name}: values must be {len(shape.rows)} rows of {len(shape.columns)}"
        return
    for line in shape.values:
        yield from _follows(f"{factor.name} row", line, factor.monotone[factor.inputs[1]])
    for line in zip(*shape.values, strict=True):
        yield from _follows(f"{factor.name} column", line, factor.monotone[factor.inputs[0]])
    yield from _bands(factor, min(min(line) for line in shape.values))


def _bands(factor: Factor, least: float) -> Iterator[str]:
    texts = () if isinstance(factor.shape, Table) else factor.shape.texts
    if not texts or texts[0].from_effect > least:
        yield f"{factor.name}: no text for an effect of {least}"
    yield from _ascending(f"{factor.name} texts", tuple(band.from_effect for band in texts))


def _names(data: PolicyData) -> Iterator[str]:
    for what in ("name", "place"):
        values = [getattr(factor, what) for factor in data.factors]
        if len(set(values)) != len(values):
            yield f"two factors share a {what}"
    if not any(factor.name == "base" and factor.stage == "sum" for factor in data.factors):
        yield "no factor named base"


def _limits(data: PolicyData) -> Iterator[str]:
    covered = sorted((w.from_reps, w.to_reps) for w in data.limits.windows)
    if [reps for a, b in covered for reps in range(a, b + 1)] != list(range(1, MOST_REPS + 1)):
        yield f"windows must cover 1-{MOST_REPS} repetitions once each"
    if any(not 0 <= w.low <= w.high <= w.high_when_new for w in data.limits.windows):
        yield "a window needs 0 <= low <= high <= high_when_new"
    goals = {f"goal_{goal}" for goal in INPUTS["goal"].levels or ()}
    known = {*get_args(Caution), UNDER_BAR_UNSPOTTED, *goals}
    for floor in data.limits.floors:
        if floor.code not in known:
            yield f"floor {floor.code}: unknown; known: {sorted(known)}"
        if floor.reps < 0 or floor.reps % 1:
            yield f"floor {floor.code}: must be whole repetitions"


def _catalogues(data: PolicyData) -> Iterator[str]:
    for exercise in data.exercises.values():
        if exercise.joints not in get_args(Joints) or exercise.equipment not in get_args(Equipment):
            yield f"exercise {exercise.id}: unknown joints or equipment"
        if unknown := sorted(set(exercise.muscles) - set(data.muscles)):
            yield f"exercise {exercise.id}: unknown muscles {unknown}"
        if not any(share == 1 for share in exercise.muscles.values()):
            yield f"exercise {exercise.id}: trains no muscle directly (share 1.0)"
        if any(not 0 < share <= 1 for share in exercise.muscles.values()):
            yield f"exercise {exercise.id}: shares lie above 0, up to 1"
        if data.families_by_exercise[exercise.id] not in data.capacity.families:
            yield f"exercise {exercise.id}: unknown capacity family"


def _capacity(capacity: Capacity) -> Iterator[str]:
    yield from _ascending("capacity sd_percents", capacity.sd_percents)
    yield from _follows("capacity sd_reps", capacity.sd_reps, "falling")
    if len(capacity.sd_percents) != len(capacity.sd_reps):
        yield "capacity: as many sd_reps as sd_percents"
    if "general" not in capacity.families:
        yield "capacity: no family general"


def _texts(data: PolicyData) -> Iterator[str]:
    for field in ASSUMABLE:
        if field not in data.defaults.texts:
            yield f"defaults: no text for {field}"
    told = [text.code for text in data.cautions]
    wanted = {*get_args(Caution), GENERAL_LIMITS, UNDER_BAR_UNSPOTTED}
    if sorted(told) != sorted(wanted):
        yield f"cautions: give each of {sorted(wanted)} once"
    for name, template in _templates(data):
        if fault := _untellable(template):
            yield f"{name}: {fault}"


def _templates(data: PolicyData) -> Iterator[tuple[str, str]]:
    for factor in data.factors:
        shape = factor.shape
        told = shape.levels.values() if isinstance(shape, Table) else shape.texts
        yield from ((factor.name, entry.text) for entry in told)
    for window in data.limits.windows:
        yield from (("window", text) for text in (window.text_low, window.text_high))
    yield from ((f"floor {floor.code}", floor.text) for floor in data.limits.floors)
    limits = data.limits
    yield from (("limits", t) for t in (limits.discount_text, limits.rounding_text, limits.withheld_text))


def _untellable(template: str) -> str | None:
    values = {name: 88.5 if INPUTS[name].levels is None else "hypertrophy" for name in INPUTS}
    values |= {field: 88.5 for name in INPUTS for field in INPUTS[name].fields if field not in values}
    try:
        text = template.format_map({**values, **SAMPLE})
    except (KeyError, ValueError, IndexError) as error:
        return f"text {template!r} cannot be filled in: {error}"
    return f"text {template!r} is over {MOST_TEXT} characters" if len(text) > MOST_TEXT else None
