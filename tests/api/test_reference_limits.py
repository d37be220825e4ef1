"""What the reference says of windows, floors, cautions and directions is what the data says, row by row."""

from collections.abc import Iterable
from typing import Any
from xml.etree.ElementTree import Element

import pytest

from service.policy.catalogue import load_policies
from service.reference.bounds import caution_parts, discount_parts, floor_parts, window_parts
from service.reference.factor import factor_parts
from service.reference.levels import described
from service.reference.plots import BAR_WIDTH
from service.rules.curves import Level, Table

POLICIES = [pytest.param(policy.data, id=policy.data.version) for policy in load_policies().versions]


def told(part: Element) -> str:
    """Return all text of an element."""
    return " ".join("".join(part.itertext()).split())


def rows(parts: Iterable[Element]) -> list[list[Element]]:
    """Return the cells of every row of the tables among the parts."""
    return [list(row) for part in parts for body in part.iter("tbody") for row in body]


def drawn(cell: Element) -> tuple[float, float]:
    """Return where the bar in a cell begins and ends, as shares of the whole line."""
    [bar] = cell.iter("rect")
    left, width = (float(bar.get(name, "")) / BAR_WIDTH for name in ("x", "width"))
    return left, left + width


@pytest.mark.parametrize("data", POLICIES)
def test_a_floor_is_drawn_as_long_as_it_is(data: Any) -> None:
    """From nothing to its reps, on one line for all."""
    top = max(floor.reps for floor in data.limits.floors)
    for floor, (code, reps, bar, *_) in zip(data.limits.floors, rows(floor_parts(data.limits)), strict=True):
        assert told(code).startswith(floor.code)
        assert told(reps) == f"{floor.reps:g}"
        assert drawn(bar) == pytest.approx((0, floor.reps / top), abs=0.001)


@pytest.mark.parametrize("data", POLICIES)
def test_a_window_is_told_and_drawn_from_its_lowest_to_its_highest(data: Any) -> None:
    """Each bound under its head."""
    top = max(window.high_when_new for window in data.limits.windows)
    for window, cells in zip(data.limits.windows, rows(window_parts(data.limits)), strict=True):
        assert [told(cell) for cell in cells[:4]] == [
            f"{window.from_reps}-{window.to_reps}",
            *(f"{bound:g}" for bound in (window.low, window.high, window.high_when_new)),
        ]
        assert drawn(cells[4]) == pytest.approx((window.low / top, window.high / top), abs=0.001)


@pytest.mark.parametrize("data", POLICIES)
def test_a_caution_that_withholds_is_told_so_and_no_other(data: Any) -> None:
    """Who reads the numbers learns from which caution no target comes."""
    found = {told(code): told(target) for code, _, _, target in rows(caution_parts(data))}
    wanted = {each.code: "withheld" if each.withholds else "given" for each in data.cautions}
    assert found == wanted
    assert found["warning_signs"] == "withheld"


@pytest.mark.parametrize("data", POLICIES)
def test_the_limit_on_discounts_has_its_own_number(data: Any) -> None:
    """Not another one of the same policy."""
    assert f"at most {data.limits.discount_slack_reps:g} repetitions off" in told(
        next(discount_parts(data.limits))
    )


@pytest.mark.parametrize("data", POLICIES)
def test_a_direction_is_told_as_it_is_kept(data: Any) -> None:
    """Rising: a higher input never brings the set closer; falling: never further away."""
    directions = set()
    for factor in data.factors:
        does = told(next(factor_parts(factor, "")))
        for name, direction in factor.monotone.items():
            way = "brings the set closer to" if direction == "rising" else "takes the set further from"
            assert f"A higher {name} never {way} failure." in does
            directions.add(direction)
    assert directions == {"rising", "falling"}


def test_a_row_of_levels_says_only_what_makes_the_difference() -> None:
    """An input of which every value does the same is left out."""
    away, none = Level(effect_reps=1.0, text="Away."), Level(effect_reps=0.0, text="")
    table = Table(
        levels={(a, b): away if a == "one" else none for a in ("one", "two") for b in (True, False)}
    )
    assert [when for when, _ in described(table, ("first_input", "second_input"))] == [
        "first input: one",
        "first input: two",
    ]
