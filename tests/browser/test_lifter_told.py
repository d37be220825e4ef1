"""A lifter: what the pictures and sentences say is what was learned."""

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.asking import ask, read_number
from tests.browser.conftest import Opened, wait_until_drawn

# Where dots of one kind stand, read by the numbers on the axis of their picture, from left to right.
READ_OFF = """(kind) => {
  const [picture] = [...document.querySelectorAll("svg.chart")].filter((one) => one.querySelector(".dot.open"));
  const numbers = [...picture.querySelectorAll(".tick.end")]
    .filter((tick) => tick.getAttribute("x") === "36")
    .map((tick) => [Number(tick.textContent), tick.y.baseVal[0].value - 4]);
  const [[one, low], [two, high]] = numbers;
  return [...picture.querySelectorAll(`.dot.${kind}`)].map(
    (dot) => one + ((dot.cy.baseVal.value - low) * (two - one)) / (high - low),
  );
}"""


def choose(page: Page, lifter: str) -> None:
    """Show what is known of a lifter."""
    page.get_by_label("Lifter (a pseudonym)").select_option(lifter)
    page.locator("#lifter-parts[aria-busy=false]").wait_for()


def state_of(demo: tuple[str, str], lifter: str) -> Any:
    """What the service has learned of a lifter."""
    return ask(demo, f"/v1/lifters/{lifter}/state")[1]


@pytest.mark.parametrize(
    ("lifter", "way"),
    [("otter-7", "more left than said on average"), ("magpie-3", "fewer left than said on average")],
)
def test_a_learned_bias_is_told_the_right_way_round(
    opened: Opened, demo: tuple[str, str], lifter: str, way: str
) -> None:
    """Positive: more is left than is said; with the sets it rests on."""
    page = opened().go("lifter")
    choose(page, lifter)
    found = state_of(demo, lifter)["reporting_bias"]
    expect(page.locator("#lifter-parts")).to_contain_text(way)
    assert (found["mean_reps"] > 0) == way.startswith("more")
    expect(page.locator("#lifter-parts")).to_contain_text(
        f"from {found['verified_sets']} sets with a known end."
    )


def test_what_is_only_assumed_of_a_lifter_is_not_told_as_learned(
    opened: Opened, demo: tuple[str, str]
) -> None:
    """No set of a known end: the numbers are those of people in general."""
    page = opened().go("lifter")
    assert state_of(demo, "badger-4")["reporting_bias"]["verified_sets"] == 0
    choose(page, "badger-4")
    expect(page.locator("#lifter-parts")).to_contain_text(
        "Nothing learned yet: no set has a known end. Assumed"
    )
    expect(page.locator("#lifter-parts")).not_to_contain_text("learned from 0 sets")


def test_prescribed_and_done_stand_where_the_review_has_them(opened: Opened, demo: tuple[str, str]) -> None:
    """As dots and in the table; a lift that stalls is said to, and no other."""
    page = opened().go("lifter")
    choose(page, "mole-6")
    page.get_by_label("Exercise", exact=True).select_option("barbell_bench_press")
    weeks = [
        each
        for week in ask(demo, "/v1/lifters/mole-6/review?weeks=12")[1]["weeks"]
        for each in week["exercises"]
        if each["exercise"] == "barbell_bench_press" and each["compared_sets"]
    ]
    for kind, member in (("open", "prescribed_rir_mean"), ("here", "done_rir_mean")):
        assert page.evaluate(READ_OFF, kind) == pytest.approx([each[member] for each in weeks], abs=0.05)
    page.locator(".pictures summary").nth(1).click()
    rows = page.get_by_role("region", name="Mean reserve of the week").locator("tbody tr").all()
    for row, each in zip(rows, weeks, strict=True):
        told = [read_number(cell) for cell in row.locator("td").all_inner_texts()]
        assert told[:3] == pytest.approx(
            [each["prescribed_rir_mean"], each["done_rir_mean"], each["difference_mean"]], abs=0.006
        )
    stalled = {each["exercise"]: each["stall"] for each in state_of(demo, "mole-6")["exercises"]}
    assert True in stalled.values()
    for exercise, stall in stalled.items():
        page.get_by_label("Exercise", exact=True).select_option(exercise)
        expect(page.locator("#lifter-parts .conflict")).to_have_count(int(stall))


def test_the_caption_of_a_wide_table_stays_in_sight_on_a_phone(opened: Opened) -> None:
    """The table opens at its newest weeks, its caption where it can be read."""
    page = opened(viewport={"width": 390, "height": 800}).go("lifter")
    wide = page.get_by_role("region", name="Failure by muscle and week")
    assert wide.evaluate("(node) => node.scrollLeft") > 0
    box = wide.locator("caption span").bounding_box()
    assert box is not None
    assert 0 <= box["x"] <= box["x"] + box["width"] <= 390


def test_days_on_an_axis_stay_apart_on_the_narrowest_phone(opened: Opened) -> None:
    """Where there is no room for all, every other one stands."""
    page = opened(viewport={"width": 320, "height": 800}).go("lifter")
    close = """() => [...document.querySelectorAll("svg.chart")].flatMap((picture) => {
      const days = [...picture.querySelectorAll(".tick")].filter((tick) => / [A-Z]/.test(tick.textContent));
      const boxes = days.map((tick) => tick.getBoundingClientRect()).sort((one, two) => one.left - two.left);
      return boxes.slice(1).filter((box, place) => box.left < boxes[place].right);
    }).length"""
    wait_until_drawn(page)
    assert page.locator(".tick").count() > 0
    assert page.evaluate(close) == 0
