"""What one policy file may hold, and how it becomes the core's types. Unknown keys are refused."""

import tomllib
from itertools import product
from pathlib import Path
from typing import TypeVar

import msgspec
from msgspec import Struct

from service.errors import PolicyBroken
from service.rules.answer import Grade
from service.rules.curves import Curve, Grid, Level, Table, TextBand
from service.rules.inputs import INPUTS
from service.rules.policy import (
    CautionText,
    Direction,
    Evidence,
    Factor,
    Muscle,
    Sourced,
    Stage,
)

T = TypeVar("T")


class LevelRow(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table row: `when` maps inputs to the values it covers; an input left out means any value."""

    when: dict[str, list[str | bool]]
    effect_reps: float
    text: str
    evidence: tuple[str, ...] | None = None
    grade: Grade | None = None


class CurveRows(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Points (input, effect [repetitions]), ascending, and texts by effect."""

    points: tuple[tuple[float, float], ...]
    texts: tuple[TextBand, ...]


class GridRows(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Rows by the first input, columns by the second; `missing_column` where the second is unknown."""

    rows: tuple[float, ...]
    columns: tuple[float, ...]
    values: tuple[tuple[float, ...], ...]
    missing_column: float
    texts: tuple[TextBand, ...]


class FactorFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`factors/<factor>.toml`. Exactly one of levels, curve, grid. May bring sources of its own."""

    factor: str
    title: str
    unit: str
    place: int
    inputs: tuple[str, ...]
    source: Sourced
    stage: Stage = "sum"
    stay_away: bool = False
    discount: bool = False
    monotone: dict[str, Direction] = {}
    levels: tuple[LevelRow, ...] = ()
    curve: CurveRows | None = None
    grid: GridRows | None = None
    evidence: tuple[Evidence, ...] = ()


class CautionsFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`cautions.toml`."""

    cautions: tuple[CautionText, ...]


class ExerciseRow(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One `[[exercises]]` entry; the capacity family is ours, the rest is published."""

    id: str
    name: str
    joints: str
    equipment: str
    under_bar: bool
    capacity_family: str
    muscles: dict[str, float]


class ExercisesFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`exercises.toml`."""

    exercises: tuple[ExerciseRow, ...]


class MusclesFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`muscles.toml`."""

    muscles: tuple[Muscle, ...]


class EvidenceFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`evidence.toml`."""

    evidence: tuple[Evidence, ...]


def read_file(path: Path, kind: type[T]) -> T:
    """Return the TOML file at `path` as `kind`. Raises PolicyBroken naming the file and the fault."""
    try:
        return msgspec.convert(tomllib.loads(path.read_text("utf-8")), kind, strict=True)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError, UnicodeDecodeError, OSError) as error:
        raise PolicyBroken(f"{path.name}: {error}") from error


def _table(file: FactorFile) -> Table:
    levels: dict[tuple[object, ...], Level] = {}
    for row in file.levels:
        unknown = set(row.when) - set(file.inputs)
        if unknown:
            raise PolicyBroken(f"{file.factor}: a level names inputs it does not have: {sorted(unknown)}")
        for name, values in row.when.items():
            if strange := [value for value in values if value not in (INPUTS[name].levels or ())]:
                raise PolicyBroken(f"{file.factor}: {name} has no value {strange}")
        choices = [row.when.get(name, INPUTS[name].levels or ()) for name in file.inputs]
        for key in product(*choices):
            if key in levels:
                raise PolicyBroken(f"{file.factor}: two levels cover {key}")
            levels[key] = Level(
                effect_reps=row.effect_reps, text=row.text, evidence=row.evidence, grade=row.grade
            )
    return Table(levels=levels)


def _shape(file: FactorFile) -> Table | Curve | Grid:
    given = [file.levels, file.curve, file.grid]
    if sum(bool(part) for part in given) != 1:
        raise PolicyBroken(f"{file.factor}: give exactly one of levels, curve, grid")
    unknown = [name for name in file.inputs if name not in INPUTS]
    if unknown:
        raise PolicyBroken(f"{file.factor}: unknown inputs {unknown}; known: {sorted(INPUTS)}")
    if file.curve is not None:
        points = file.curve.points
        if not points:
            raise PolicyBroken(f"{file.factor}: a curve needs points")
        return Curve(xs=tuple(x for x, _ in points), ys=tuple(y for _, y in points), texts=file.curve.texts)
    if file.grid is not None:
        return msgspec.convert(msgspec.structs.asdict(file.grid), Grid, from_attributes=True)
    return _table(file)


def factor_from(file: FactorFile) -> Factor:
    """Return the factor a file describes. Raises PolicyBroken for a gap or double cover in its table."""
    if file.unit != "repetitions":
        raise PolicyBroken(f"{file.factor}: unit must be repetitions")
    return Factor(
        name=file.factor,
        title=file.title,
        unit="repetitions",
        place=file.place,
        stage=file.stage,
        stay_away=file.stay_away,
        discount=file.discount,
        inputs=file.inputs,
        monotone=file.monotone,
        shape=_shape(file),
        source=file.source,
    )
