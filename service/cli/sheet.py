"""What a session sheet holds, before it is written as text, HTML or CSV."""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from service.cli.sheet_texts import SheetTexts
from service.rules.answer import ExertionRange, ReserveRange, Severity
from service.rules.compiled import Policy
from service.rules.context import Equipment

Standing = Literal["prescribed", "left_out", "withheld"]
WORST_FIRST: tuple[Severity, ...] = ("critical", "warning", "info")


class Printing(Struct, frozen=True, kw_only=True):
    """What sheets are made with: names and equipment of `policy`, words, and 1RM by exercise [kg]."""

    policy: Policy
    texts: SheetTexts
    one_rep_max_kg: Mapping[str, float]


class Load(Struct, frozen=True, kw_only=True):
    """What to lift: % of 1RM, and kg where the 1RM is told. `suggested`: the plan tells no load."""

    percent_1rm: float | None
    kg: float | None
    suggested: bool = False


class ToDo(Struct, frozen=True, kw_only=True):
    """How a set is to be done. Sets alike in all of it stand together on the sheet.

    `rest_seconds` is the rest after it [seconds], an assumed one when not `rest_told`. `velocity_loss_percent` is the
    band of the cue on bar speed. `proposed_reps` is the plan's own reserve [repetitions] where it lies outside the
    range. `other_load` and `other_reps` [repetitions] are ways out when load and rep target disagree.
    """

    rep_target: int
    load: Load
    rest_seconds: float | None
    rest_told: bool
    reserve: ReserveRange
    rpe: ExertionRange | None
    feel: str
    stop: str
    velocity_loss_percent: tuple[float, float] | None
    proposed_reps: float | None
    too_heavy: bool
    too_light: bool
    other_load: Load | None
    other_reps: int | None


class SheetSet(Struct, frozen=True, kw_only=True):
    """One set: its JSON Pointer in the plan, its place from 1, and what is completed as prescribed [repetitions]."""

    pointer: str
    set_order: int
    predicted_reps: float | None


class SetGroup(Struct, frozen=True, kw_only=True):
    """Sets one after another that are done alike. `to_do` is None unless they are `prescribed`."""

    standing: Standing
    to_do: ToDo | None
    sets: tuple[SheetSet, ...]


class SheetExercise(Struct, frozen=True, kw_only=True):
    """One exercise of a session: its place from 1, catalogue id and name, what is lifted."""

    exercise_order: int
    exercise: str
    name: str
    equipment: Equipment
    groups: tuple[SetGroup, ...]


class Alert(Struct, frozen=True, kw_only=True):
    """Something to heed before the session."""

    severity: Severity
    text: str


class SheetSession(Struct, frozen=True, kw_only=True):
    """One session: its number from 1, its start in its own offset. `every_set` holds for all its sets."""

    number: int
    starts_at: datetime
    deload: bool
    alerts: tuple[Alert, ...]
    every_set: tuple[str, ...]
    exercises: tuple[SheetExercise, ...]


class PlanNote(Struct, frozen=True, kw_only=True):
    """A warning about the plan: what is wrong, what to change, and where."""

    severity: Severity
    text: str
    mend: str
    where: str


class Sheet(Struct, frozen=True, kw_only=True):
    """A whole plan for a person: sessions of `of_sessions` in all, and what there is to say of the plan."""

    sessions: tuple[SheetSession, ...]
    of_sessions: int
    notes: tuple[PlanNote, ...]
    moved: str | None
    costs: tuple[str, ...]
    assumed: tuple[str, ...]
    policy: str
    versions: str
