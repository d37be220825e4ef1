"""The sheet as CSV: a row a set, read back as it was meant, run by no spreadsheet."""

import csv
from io import StringIO

import pytest

from service.cli.sheet import Sheet
from service.cli.sheet_csv import COLUMNS, csv_sheet
from tests.commands.plan_sheets import (
    NAMES,
    answered,
    exercise,
    golden,
    golden_sheet,
    plan_of,
    pointers,
    printing,
    renamed,
    sheet,
    sheet_of,
    withheld,
)

TO_DO = COLUMNS[COLUMNS.index("rep_target") : COLUMNS.index("cautions")]


def rows(told: Sheet) -> list[dict[str, str]]:
    """Return the rows as a strict reader takes them."""
    header, *found = csv.reader(StringIO(csv_sheet(told), newline=""), strict=True)
    assert tuple(header) == COLUMNS
    return [dict(zip(header, row, strict=True)) for row in found]


@pytest.mark.parametrize("name", NAMES)
def test_every_set_has_one_row_with_its_pointer_first(name: str) -> None:
    """In the plan's order, as many cells as the header."""
    plan, _ = golden(name)
    assert COLUMNS[0] == "pointer"
    assert [row["pointer"] for row in rows(golden_sheet(name))] == pointers(plan)


def test_lines_end_as_the_format_has_it() -> None:
    """CR and LF after every row, the last one too."""
    told = csv_sheet(golden_sheet("leg-day"))
    assert told.endswith("\r\n")
    assert "\n" not in told.replace("\r\n", "")


@pytest.mark.parametrize("name", NAMES)
def test_cells_are_those_of_the_answer(name: str) -> None:
    """Targets, RPE, reps to expect, load and rest of each set."""
    plan, answer = golden(name)
    told = [one for session in plan.sessions for each in session.exercises for one in each.sets]
    given = [one for session in answer.sessions for each in session.exercises for one in each.sets]
    for row, planned, one in zip(rows(golden_sheet(name)), told, given, strict=True):
        assert row["cut"] == ("true" if one.cut else "false")
        assert row["withheld"] == "false"
        if one.cut:
            assert {row[column] for column in TO_DO} == {""}
            continue
        reserve, rpe = one.prescription.reps_in_reserve, one.prescription.rpe
        numbers = {
            "rep_target": planned.rep_target,
            "load_percent_1rm": planned.load_percent_1rm,
            "rest_seconds": planned.rest_seconds,
            "target_reps_in_reserve": reserve.target,
            "low_reps_in_reserve": reserve.low,
            "high_reps_in_reserve": reserve.high,
            "target_rpe": rpe.target,
            "low_rpe": rpe.low,
            "high_rpe": rpe.high,
            "predicted_reps": one.predicted_reps,
        }
        assert {name: float(row[name]) if row[name] else None for name in numbers} == numbers
        assert row["stop"] == one.prescription.stop_cues[0].text
        assert row["done_reps"] == row["done_reps_in_reserve"] == ""


def test_loads_in_kg_stand_apart_from_suggested_ones() -> None:
    """One is the plan's, the other a guess."""
    plan = plan_of([exercise("leg_press", 1), exercise("leg_extension", 1, load_percent_1rm=None)])
    first, second = rows(sheet(plan, leg_press=200, leg_extension=100))
    assert (first["load_kg"], first["suggested_load_kg"]) == ("140", "")
    assert second["load_kg"] == ""
    assert float(second["suggested_load_kg"]) % 5 == 0


def test_what_is_withheld_has_no_number_to_train_on() -> None:
    """The row stands, with the caution that says why."""
    plan = plan_of([exercise("leg_press", 2)])
    found = rows(sheet(plan, withheld(plan), leg_press=200))
    assert [(row["withheld"], row["cut"]) for row in found] == [("true", "false")] * 2
    for row in found:
        assert {row[column] for column in TO_DO} == {""}
        assert row["cautions"].startswith("Warning signs")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"])  # noqa: RUF001 - meant
def test_no_cell_is_taken_for_a_formula(start: str) -> None:
    """A name that a spreadsheet would run is led by an apostrophe, and comes back whole."""
    name = f'{start}HYPERLINK("//x.example","a"), b'
    plan = plan_of([exercise("leg_press", 1)])
    (row,) = rows(sheet_of(plan, answered(plan), printing(renamed(name))))
    assert row["exercise_name"] == f"'{name}"


def test_quotes_commas_and_line_breaks_come_back() -> None:
    """Inside a cell anything may stand."""
    name = 'Leg "press", wide\r\nstance'
    plan = plan_of([exercise("leg_press", 1)])
    (row,) = rows(sheet_of(plan, answered(plan), printing(renamed(name))))
    assert row["exercise_name"] == name
