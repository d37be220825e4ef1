"""A sheet as CSV (RFC 4180): a row for each set, the unit at the end of a column's name."""

import csv
from collections.abc import Iterator
from io import StringIO

from service.cli.sheet import SetGroup, Sheet, SheetExercise, SheetSession, SheetSet, ToDo

COLUMNS = (
    "pointer",
    "session",
    "starts_at",
    "deload",
    "exercise_order",
    "exercise",
    "exercise_name",
    "equipment",
    "set_order",
    "cut",
    "withheld",
    "rep_target",
    "load_percent_1rm",
    "load_kg",
    "suggested_load_kg",
    "rest_seconds",
    "target_reps_in_reserve",
    "low_reps_in_reserve",
    "high_reps_in_reserve",
    "target_rpe",
    "low_rpe",
    "high_rpe",
    "velocity_loss_low_percent",
    "velocity_loss_high_percent",
    "predicted_reps",
    "done_reps",
    "done_reps_in_reserve",
    "feel",
    "stop",
    "every_set",
    "cautions",
)
# A spreadsheet takes a cell that starts with one of these for a formula; the last four are the wide forms.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # noqa: RUF001 - meant
Cell = str | float | None


def csv_sheet(sheet: Sheet) -> str:
    """Return the sheet's sets as CSV with a header row. What is withheld or left out has no numbers to train on."""
    told = StringIO(newline="")
    writer = csv.writer(told)
    writer.writerow(COLUMNS)
    for session in sheet.sessions:
        for exercise in session.exercises:
            for group in exercise.groups:
                for each in group.sets:
                    cells = _cells(session, exercise, group, each)
                    writer.writerow([_plain(cells.get(column)) for column in COLUMNS])
    return told.getvalue()


def _plain(cell: Cell) -> str:
    """Return a cell as text that no spreadsheet runs."""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(FORMULA_STARTS) else cell
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if cell is None:
        return ""
    return str(int(cell)) if cell == int(cell) else str(cell)


def _cells(
    session: SheetSession, exercise: SheetExercise, group: SetGroup, each: SheetSet
) -> dict[str, Cell]:
    place: dict[str, Cell] = {
        "pointer": each.pointer,
        "session": session.number,
        "starts_at": session.starts_at.isoformat(),
        "deload": session.deload,
        "exercise_order": exercise.exercise_order,
        "exercise": exercise.exercise,
        "exercise_name": exercise.name,
        "equipment": exercise.equipment,
        "set_order": each.set_order,
        "cut": group.standing == "left_out",
        "withheld": group.standing == "withheld",
        "cautions": " ".join(alert.text for alert in session.alerts),
    }
    if group.to_do is None:
        return place
    done = {"predicted_reps": each.predicted_reps, "every_set": " ".join(session.every_set)}
    return place | dict(_to_do(group.to_do)) | done


def _to_do(to_do: ToDo) -> Iterator[tuple[str, Cell]]:
    load, reserve, rpe, velocity = to_do.load, to_do.reserve, to_do.rpe, to_do.velocity_loss_percent
    yield "rep_target", to_do.rep_target
    yield "load_percent_1rm", load.percent_1rm
    yield "suggested_load_kg" if load.suggested else "load_kg", load.kg
    yield "rest_seconds", to_do.rest_seconds if to_do.rest_told else None
    yield "target_reps_in_reserve", reserve.target
    yield "low_reps_in_reserve", reserve.low
    yield "high_reps_in_reserve", reserve.high
    if rpe is not None:
        yield from zip(("target_rpe", "low_rpe", "high_rpe"), (rpe.target, rpe.low, rpe.high), strict=True)
    if velocity is not None:
        yield "velocity_loss_low_percent", velocity[0]
        yield "velocity_loss_high_percent", velocity[1]
    yield "feel", to_do.feel
    yield "stop", to_do.stop
