"""The sheet as text: narrow, complete, a place to write for every set to be done."""

import re

import pytest

from service.cli.sheet import Sheet
from service.cli.sheet_text import text_sheet
from tests.commands.plan_sheets import (
    NAMES,
    TEXTS,
    answered,
    exercise,
    golden,
    golden_sheet,
    groups,
    plan_of,
    printing,
    renamed,
    sets,
    sheet,
    sheet_of,
    with_sets,
    withheld,
)

BLANK = re.compile(r"____ reps ____ left")


def lines(told: Sheet, width: int = 80) -> list[str]:
    """Return the lines of a sheet."""
    return text_sheet(told, TEXTS, width).splitlines()


def words(told: Sheet) -> str:
    """Return the sheet with every run of white space as one space."""
    return " ".join(text_sheet(told, TEXTS).split())


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("width", [40, 80])
def test_no_line_is_wider_than_asked_for(name: str, width: int) -> None:
    """And none holds anything but letters: no colour, no tab, no space at its end."""
    kilos = {"barbell_bench_press": 102.5, "barbell_back_squat": 140.0, "machine_chest_press": 80.0}
    told = sheet(*golden(name), **kilos)
    found = lines(told, width)
    assert max(map(len, found)) == width
    assert all(line.isprintable() and line.isascii() and line == line.rstrip() for line in found)


@pytest.mark.parametrize("name", NAMES)
def test_every_set_to_be_done_has_one_place_to_write(name: str) -> None:
    """Numbered where several stand together; none for a set that is left out."""
    told = golden_sheet(name)
    text = text_sheet(told, TEXTS)
    to_do = [group for group in groups(told) if group.to_do is not None]
    assert len(BLANK.findall(text)) == sum(len(group.sets) for group in to_do)
    numbered = [int(number) for number in re.findall(r"(\d+)\) ____ reps", text)]
    assert numbered == [each.set_order for group in to_do if len(group.sets) > 1 for each in group.sets]


@pytest.mark.parametrize("name", NAMES)
def test_the_numbers_of_every_set_stand_in_words(name: str) -> None:
    """Set numbers run through each exercise: in the lines that say what to do, or that it is left out."""
    told = golden_sheet(name)
    found: list[int] = []
    for runs in re.findall(r"^   Sets? ([0-9, -]+):", text_sheet(told, TEXTS), re.MULTILINE):
        for run in runs.split(", "):
            first, _, last = run.partition("-")
            found += range(int(first), int(last or first) + 1)
    assert found == [each.set_order for each in sets(told)]


def test_a_session_starts_with_its_number_day_and_time() -> None:
    """In its own offset."""
    plan = plan_of([exercise("leg_press", 1)], [exercise("leg_press", 1)])
    assert lines(sheet(plan))[:4] == [
        "=" * 80,
        "SESSION 1 OF 2",
        "Monday 4 January 2027, 18:00 (UTC+01:00), policy 2026-11-26",
        "=" * 80,
    ]
    assert "Wednesday 6 January 2027, 18:00 (UTC+01:00)" in words(sheet(plan))


def test_a_set_is_told_with_reps_load_rest_reserve_rpe_feel_and_when_to_stop() -> None:
    """Everything a lifter does at the bar, in one place."""
    told = words(sheet(plan_of([exercise("leg_press", 4)]), leg_press=100))
    block = told.split("1. Leg press (machine) ")[1]
    assert block.startswith(
        "Sets 1-3: 3 sets of 10 reps, 70 kg (70 % of 1RM), rest 2 min Leave 1.5 reps (1 to 2), RPE 8.5 (8 to 9) "
        "Stop after 10 reps, or sooner: when you could do only about 1.5 more with good form. You feel: one more good "
        "rep is sure, a second might go up. Bar speed 20-35 % down. Likely light: for that reserve take 80 kg (79.5 % "
        "of 1RM) or do 16 reps. Done 1) ____ reps ____ left 2) ____ reps ____ left 3) ____ reps ____ left Set 4: "
    )


def test_cut_sets_are_marked_as_left_out() -> None:
    """And their session as a deload."""
    told = text_sheet(golden_sheet("four-week-block"), TEXTS)
    assert told.count("DELOAD: ") == 1
    after = told.split("DELOAD: ")[1]
    assert re.findall(r"Set \d+: left out \(deload\)", after) == ["Set 2: left out (deload)"] * 2
    assert "left out" not in told.split("DELOAD: ")[0]


def test_no_number_is_told_of_what_is_withheld() -> None:
    """Between the name of an exercise and the next there is how many sets it had, and nothing else to count."""
    plan = plan_of([exercise("leg_press", 3), exercise("leg_extension", 1)])
    text = text_sheet(sheet(plan, withheld(plan), leg_press=200), TEXTS)
    head, first, second = re.split(r"^\d\. .*$", text, flags=re.MULTILINE)
    assert "CRITICAL: Warning signs" in head
    assert first.split("\n\n")[1].strip() == "All 3 sets: withheld: no target is given, do not train"
    assert second.split("\n\n")[1].strip() == "The set: withheld: no target is given, do not train"
    assert not re.search(r"____|\bkg\b|%|RPE|Leave|\brest\b", text)


def test_one_withheld_set_among_others_has_no_number_either() -> None:
    """The sets beside it keep theirs."""
    plan = plan_of([exercise("leg_press", 3)])
    none = withheld(plan).sessions[0].exercises[0].sets[1]
    told = sheet(plan, with_sets(answered(plan), lambda number, one: none if number == 1 else one))
    assert "   Set 2: withheld: no target is given, do not train" in lines(told)
    assert len(BLANK.findall(text_sheet(told, TEXTS))) == 2


def test_the_plan_ends_with_what_to_mend_costs_and_versions() -> None:
    """Every warning with its mend; what is not medical advice says so."""
    told = golden_sheet("pressing-day")
    after = words(told).split("THE WHOLE PLAN")[1]
    for note in told.notes:
        assert f"{note.severity}: {note.text} {note.mend} ({note.where})" in after
    for each in (*told.costs, *told.assumed):
        assert each in after
    assert after.endswith(f"{TEXTS.foot} {told.versions}")
    assert re.search(r"Policy \d{4}-\d\d-\d\d \(sha256:[0-9a-f]{64}\); carry-over", told.versions)


def test_a_long_name_wraps() -> None:
    """Whatever the catalogue calls an exercise."""
    plan = plan_of([exercise("leg_press", 1)])
    told = sheet_of(plan, answered(plan), printing(renamed("Leg press " * 12)))
    assert max(map(len, lines(told, 40))) == 40
    assert "1. Leg press Leg press" in words(told)
