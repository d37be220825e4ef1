"""What a sheet says in words: of numbers, of reps to expect, of what a reserve feels like."""

from itertools import pairwise

import pytest
from msgspec import structs

from service.cli.sheet_texts import sheet_texts
from service.cli.sheet_words import advice, exertion_words, leave_words, rest_words, runs
from service.rules.answer import ExertionRange, ReserveRange
from tests.commands.plan_sheets import TEXTS, exercise, golden_sheet, groups, plan_of, sheet


def test_fewer_reps_are_announced_where_the_target_comes_first() -> None:
    """Eight at a load for nine with two and a half left: about six, or less load."""
    told = golden_sheet("pressing-day")
    first = next(groups(told))
    assert first.to_do is not None
    said = advice(first, first.to_do, TEXTS)
    assert first.sets[0].predicted_reps == pytest.approx(6.506)
    assert said.startswith("Expect 6 to 7 reps")
    assert "For all 8 take 74.6 % of 1RM." in said
    assert said.endswith("(The plan proposed to leave 0.)")


def test_a_light_load_is_told_only_where_all_reps_are_expected() -> None:
    """Alone it is light; after earlier work for the same muscles it is not."""
    light = exercise("leg_press", 1, rep_target=12, load_percent_1rm=60)
    alone = next(groups(sheet(plan_of([light]))))
    assert alone.to_do is not None
    assert "Likely light" in advice(alone, alone.to_do, TEXTS)
    tired = structs.replace(alone, sets=(structs.replace(alone.sets[0], predicted_reps=9.4),))
    said = advice(tired, alone.to_do, TEXTS)
    assert said.startswith("Expect 9 to 10 reps")
    assert "light" not in said


def test_sets_that_complete_less_and_less_are_told_in_turn() -> None:
    """Not as one wide range."""
    group = next(groups(sheet(plan_of([exercise("leg_press", 4)]))))
    falling = [structs.replace(one, predicted_reps=9.0 - place) for place, one in enumerate(group.sets)]
    assert group.to_do is not None
    said = advice(structs.replace(group, sets=tuple(falling)), group.to_do, TEXTS)
    assert said.startswith("Expect 9, 8 and 7 reps")


def test_one_rep_and_none_are_told_in_words_of_their_own() -> None:
    """Nobody expects `1 reps`; `0 reps, that reserve is likely reached there` says nothing to a lifter."""
    group = next(groups(sheet(plan_of([exercise("leg_press", 1)]))))
    assert group.to_do is not None
    for reps, told in (
        (0, "Too heavy here: likely not even one rep"),
        (1, "Expect 1 rep: "),
        (2, "Expect 2 reps: "),
    ):
        short = structs.replace(group, sets=(structs.replace(group.sets[0], predicted_reps=float(reps)),))
        assert advice(short, group.to_do, TEXTS).startswith(told)
    heavy = next(groups(sheet(plan_of([exercise("leg_press", 1, rep_target=1, load_percent_1rm=100)]))))
    assert heavy.to_do is not None
    assert "For that 1 take" in advice(heavy, heavy.to_do, TEXTS)
    german = sheet_texts("de")
    assert german.too_heavy.format(rep_target=1, load="80 kg") == "Für die 1 Wiederholung 80 kg nehmen."
    assert german.expect.format(reps="1", most=1).startswith("Zu erwarten ist 1 Wiederholung:")


def test_an_assumed_rest_is_told_as_about() -> None:
    """The lifter sees what was not told."""
    group = next(groups(sheet(plan_of([exercise("leg_press", 2, rest_seconds=None)]))))
    assert group.to_do is not None
    assert rest_words(group.to_do, TEXTS) == "rest about 2 min"
    for seconds, told in ((90, "90 s"), (180, "3 min"), (150, "2 min 30 s"), (7200, "120 min"), (0, "0 s")):
        known = structs.replace(group.to_do, rest_seconds=seconds, rest_told=True)
        assert rest_words(known, TEXTS) == f"rest {told}"


def test_every_reserve_has_words_of_its_own() -> None:
    """Levels rise; each half repetition up to 5 has another sentence."""
    assert all(low.up_to_reps < high.up_to_reps for low, high in pairwise(TEXTS.feel))
    said = [TEXTS.feel_of(halves / 2) for halves in range(11)]
    assert len(set(said)) == 11
    assert TEXTS.feel_of(5.5) == TEXTS.feel_of(99) == TEXTS.feel[-1].text


def test_runs_of_numbers_are_drawn_together() -> None:
    """As people write them."""
    assert runs([1, 2, 3, 5, 7, 8]) == "1-3, 5, 7-8"
    assert runs([]) == ""


def test_a_range_that_holds_the_target_alone_is_not_told() -> None:
    """Nor an RPE where the scale has no number."""
    assert leave_words(ReserveRange(target=2.5, low=2, high=3), TEXTS) == "Leave 2.5 reps (2 to 3)"
    assert leave_words(ReserveRange(target=1, low=1, high=1), TEXTS) == "Leave 1 rep"
    assert exertion_words(ExertionRange(target=7.5, low=7, high=8), TEXTS) == "RPE 7.5 (7 to 8)"
    assert exertion_words(ExertionRange(target=8, low=8, high=8), TEXTS) == "RPE 8"
    assert exertion_words(ExertionRange(target=5, low=None, high=6), TEXTS) == "RPE 5"
    assert exertion_words(ExertionRange(target=None, low=None, high=5), TEXTS) == ""
    assert exertion_words(None, TEXTS) == ""
