"""One factor at work: its effect for a set of facts, and the reason that tells it."""

from collections.abc import Callable
from operator import attrgetter
from typing import NamedTuple, TypeVar

from service.rules.answer import Reason
from service.rules.curves import Curve, Grid, Level, Table, TextBand, in_steps, interpolate, interpolate_grid
from service.rules.inputs import INPUTS, Facts
from service.rules.policy import Accustoming, Factor

MEMO_ENTRIES = 4096

T = TypeVar("T")


class Effect(NamedTuple):
    """What one factor contributes [repetitions], and its part in the discount limit."""

    effect_reps: float
    stay_away_reps: float
    discount_reps: float


class Compiled(NamedTuple):
    """A factor as two functions of Facts with bounded memos; `fields` are the members they read."""

    name: str
    fields: tuple[str, ...]
    effect: Callable[[Facts], Effect]
    reason: Callable[[Facts], Reason]


def memoised(fields: tuple[str, ...], function: Callable[[Facts], T]) -> Callable[[Facts], T]:
    """Return `function` with a bounded memo keyed by the `fields` of Facts it is computed from."""
    key_of = attrgetter(*fields)
    known: dict[object, T] = {}

    def remembered(facts: Facts) -> T:
        key = key_of(facts)
        try:
            return known[key]
        except KeyError:
            found = function(facts)
            if len(known) >= MEMO_ENTRIES:
                known.clear()
            known[key] = found
            return found

    return remembered


def _number(value: object) -> float:
    if isinstance(value, int | float):
        return float(value)
    raise TypeError(f"a curve reads numbers, not {value!r}")


def _shape_effect(shape: Curve | Grid, values: tuple[object, ...]) -> float:
    if isinstance(shape, Curve):
        return in_steps(interpolate(shape.xs, shape.ys, _number(values[0])))
    column = None if values[1] is None else _number(values[1])
    return in_steps(interpolate_grid(shape, _number(values[0]), column))


def _banded(texts: tuple[TextBand, ...], effect: float) -> str:
    return next(band.text for band in reversed(texts) if effect >= band.from_effect)


def _level(factor: Factor, values: tuple[object, ...]) -> Level:
    shape = factor.shape
    if isinstance(shape, Table):
        return shape.levels[values]
    effect = _shape_effect(shape, values)
    return Level(effect_reps=effect, text=_banded(shape.texts, effect))


def _reason(factor: Factor, level: Level, told: dict[str, object], known: dict[str, object]) -> Reason:
    return Reason(
        factor=factor.name,
        effect_reps=level.effect_reps,
        text=level.text.format_map(known),
        grade=level.grade or factor.source.grade,
        evidence=factor.source.evidence if level.evidence is None else level.evidence,
        input=told,  # type: ignore[arg-type]  # members of Facts are JSON scalars
    )


def fields_of(factor: Factor) -> tuple[str, ...]:
    """Members of Facts the factor depends on, each once, in the order its inputs name them."""
    return tuple(dict.fromkeys(field for name in factor.inputs for field in INPUTS[name].fields))


def compiled(factor: Factor, accustoming: Accustoming) -> Compiled:
    """Return `factor` ready to use. A memo never changes an answer: its key is all that is read."""
    fields = fields_of(factor)
    reads = [INPUTS[name].read for name in factor.inputs]

    def values_of(facts: Facts) -> tuple[object, ...]:
        return tuple([read(facts, accustoming) for read in reads])

    def effect(facts: Facts) -> Effect:
        shape = factor.shape
        values = values_of(facts)
        reps = shape.levels[values].effect_reps if isinstance(shape, Table) else _shape_effect(shape, values)
        stay_away = reps if factor.stay_away and reps > 0 else 0.0
        return Effect(reps, stay_away, reps if factor.discount and reps < 0 else 0.0)

    def reason(facts: Facts) -> Reason:
        values = values_of(facts)
        told = {field: getattr(facts, field) for field in fields}
        known = told | dict(zip(factor.inputs, values, strict=True))
        sent = {name: value for name, value in told.items() if value is not None}
        return _reason(factor, _level(factor, values), sent, known)

    return Compiled(factor.name, fields, memoised(fields, effect), memoised(fields, reason))
