"""One set: everything an answer says stands on the page, at the ends of what can be entered as well."""

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.asking import read_number
from tests.browser.conftest import Opened, wait_until_drawn
from tests.browser.test_one_set import answer_shown, answered, enter, label, request_shown

PHONE = {"width": 390, "height": 800}
# Texts of a chart that stand beyond its edge.
CUT_OFF = """() => [...document.querySelectorAll("svg.chart")].flatMap((picture) => {
  const edge = picture.getBoundingClientRect();
  return [...picture.querySelectorAll("text")]
    .filter((text) => {
      const box = text.getBoundingClientRect();
      return box.left < edge.left - 1 || box.right > edge.right + 1;
    })
    .map((text) => text.textContent);
})"""
# Where a mark of the curve stands, read by the numbers on the axis [repetitions].
READ_OFF = """(mark) => {
  const numbers = [...document.querySelectorAll("#set-curve .tick.end")]
    .filter((tick) => tick.getAttribute("x") === "36")
    .map((tick) => [Number(tick.textContent), tick.y.baseVal[0].value - 4]);
  const [[one, low], [two, high]] = numbers;
  const at = document.querySelector(`#set-curve .dot.${mark}`).cy.baseVal.value;
  return one + ((at - low) * (two - one)) / (high - low);
}"""


def told(page: Page) -> str:
    """Everything the answer says."""
    return page.locator("#set-parts").inner_text()


def test_cues_certainty_and_assumptions_are_told_as_they_were_answered(opened: Opened) -> None:
    """Each cue, each assumption, the chance, the place on the curve, and what a lifter with a known bias should say."""
    page = opened().go("set")
    page.locator("#set-form details.more summary").click()
    enter(page, {"Reps planned": "7", "Load % of 1RM": "70", "Mean reps": "1", "Spread (SD) reps": "0.5"})
    page.locator("#set-parts details").evaluate_all("(all) => all.forEach((each) => (each.open = true))")
    answer = answer_shown(page)
    for each in (*answer["stop_cues"], *answer["assumptions"]):
        assert each["text"] in told(page)
    assert f"What was assumed ({len(answer['assumptions'])})" in told(page)
    assert f"should say about {answer['reported_reps_in_reserve']:g} at" in told(page)
    expected = answer["expected"]
    assert f"left is {100 * expected['chance_short']:.0f} %" in told(page)
    assert f"does {round(expected['reps_to_failure']['mean'], 1):g} reps to failure" in told(page)
    assert page.evaluate(READ_OFF, "here") == pytest.approx(7, abs=0.1)
    assert page.evaluate(READ_OFF, "open") == pytest.approx(expected["reps_to_failure"]["mean"], abs=0.1)


# Entries, the same on the screen, and what stands below the curve.
ENDS: tuple[tuple[dict[str, str], str, str], ...] = (
    ({"Reps planned": "1", "Load % of 1RM": "95"}, "does 3.1 reps", "has left after 1 rep."),
    ({"Reps planned": "1", "Load % of 1RM": "100"}, "does 1 rep to failure", "has left after 1 rep."),
    ({"Reps planned": "50", "Load % of 1RM": "100"}, "too heavy", "lacks for 50 reps."),
    ({"Reps planned": "50", "Load % of 1RM": "1"}, "too light", "below 40 % of 1RM lies outside"),
)


def test_the_ends_of_what_can_be_entered_are_told_rightly(opened: Opened) -> None:
    """On a phone nothing is cut off, and no picture says what it does not show."""
    page = opened(viewport=PHONE).go("set")
    for entries, certain, gap in ENDS:
        enter(page, entries)
        assert certain in told(page)
        expect(page.locator("#set-curve")).to_contain_text(gap)
        wait_until_drawn(page)
        assert page.evaluate(CUT_OFF) == []


def test_a_way_out_of_a_conflict_is_taken_over(opened: Opened) -> None:
    """Its words say which of the two it keeps."""
    page = opened().go("set")
    enter(page, {"Reps planned": "12", "Load % of 1RM": "85"})
    [keep_reps] = [each for each in answer_shown(page)["adjustments"] if each["keep"] == "reps"]
    page.get_by_role("button", name="Try: Keep the reps").click()
    answered(page)
    assert request_shown(page)["rep_target"] == 12
    assert request_shown(page)["load_percent_1rm"] == keep_reps["load_percent_1rm"]
    assert answer_shown(page)["expected"]["conflict"] is None


def test_steps_for_thumbs_stay_whole_tenths(opened: Opened) -> None:
    """Up and down from what stands there, by the step of the control, and never beyond its ends."""
    page = opened().go("set")
    page.locator("#set-form details.more summary").click()
    share: Any = label(page, "Share of last week's sets at failure 0 to 1")
    more, less = (share.locator(f"xpath=../button[{place}]") for place in (2, 1))
    for _ in range(3):
        more.click()
    assert share.input_value() == "0.3"
    less.click()
    assert read_number(share.input_value()) == 0.2
    for _ in range(4):
        less.click()
    assert share.input_value() == "0"


def test_the_bar_at_the_foot_of_a_phone_hides_nothing_that_has_the_focus(opened: Opened) -> None:
    """Success criterion 2.4.11 of WCAG 2.2: whatever Tab reaches stands above it."""
    page = opened(viewport=PHONE).go("set")
    hidden = """() => {
      const [one, bar] = [document.activeElement, document.getElementById("set-glance")];
      const below = one.getBoundingClientRect().bottom > bar.getBoundingClientRect().top + 1;
      return one !== bar && one !== document.body && below;
    }"""
    for _ in range(60):
        page.keyboard.press("Tab")
        assert not page.evaluate(hidden), page.evaluate("document.activeElement.outerHTML")
