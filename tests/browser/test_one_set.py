"""One set: by the keyboard alone, reasons that add up to the eye, the service's own words at a bad entry."""

import json
import re
from fractions import Fraction
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.asking import ask, detail_at, read_number
from tests.browser.conftest import Opened, Shown

PATH = "/v1/prescriptions"
MOST_TABS = 120
# Where the steps of the ledger begin and end on the screen, and where the set ends [px].
GEOMETRY = """() => {
  const steps = [...document.querySelectorAll(".ledger li:not(.total) .track")].map((track) => {
    const bar = track.querySelector(".bar");
    const box = track.getBoundingClientRect();
    const at = (mark, name) => box.left + mark[name].baseVal.value;
    const holds = track.querySelector(".holds");
    return bar ? [at(bar, "x1"), at(bar, "x2")] : [at(holds, "cx"), at(holds, "cx")];
  });
  const strip = document.querySelector(".total .track");
  const left = strip.getBoundingClientRect().left;
  const marks = [...strip.querySelectorAll(".grid")].map((mark) => mark.x1.baseVal.value);
  const band = strip.querySelector(".band");
  return {
    steps,
    rep: marks[0] - marks[1],
    band: [left + band.x.baseVal.value, left + band.x.baseVal.value + band.width.baseVal.value],
    end: left + strip.querySelector(".stop").x1.baseVal.value,
    wall: left + strip.querySelector(".wall").x1.baseVal.value,
  };
}"""


def label(page: Page, name: str) -> Any:
    """The control with this label."""
    return page.locator("#set-form").get_by_label(name, exact=True)


def request_shown(page: Page) -> Any:
    """The body of the request that the page shows, to send it again."""
    told = page.locator("[data-request]").text_content() or ""
    return json.loads(told.split("-d '", 1)[1].rsplit("'", 1)[0])


def answer_shown(page: Page) -> Any:
    """The answer that the page shows."""
    return json.loads(page.locator("[data-answer]").text_content() or "")


def tab_to(page: Page, name: str) -> None:
    """Press Tab until what has the focus is called `name`."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if (
            page.evaluate("document.activeElement.labels?.[0]?.innerText ?? document.activeElement.innerText")
            == name
        ):
            return
    raise AssertionError(f"{name} is not reached by Tab")


def test_the_page_answers_with_the_keyboard_alone(opened: Opened, demo: tuple[str, str]) -> None:
    """Skip link, controls in the order of reading, and a change that is proposed; no mouse."""
    page = opened().go("set")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.innerText") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    tab_to(page, "Reps planned")
    page.keyboard.press("Control+A")
    page.keyboard.type("15")
    answered(page)
    assert request_shown(page)["rep_target"] == 15
    tab_to(page, "Experience")
    page.keyboard.press("ArrowDown")
    answered(page)
    assert request_shown(page)["experience"] == "intermediate"
    _, expected = ask(demo, PATH, request_shown(page))
    assert answer_shown(page) == expected
    tab_to(page, "Try")
    proposed = page.evaluate("document.activeElement.closest('li').querySelector('.effect').innerText").split(
        " "
    )[0]
    page.keyboard.press("Enter")
    expect(page.locator("#set-told strong")).to_contain_text(f"Leave {proposed} rep")


# Steps away; through the wall and back; a floor. One after the other, in one form.
CONTEXTS = (
    {"Earlier sessions with it": "0"},
    {
        "Reps planned": "15",
        "Exercise": "Leg extension",
        "Experience": "Advanced",
        "Exercise number": "5",
        "Set number": "3",
        "of sets": "3",
        "Earlier sessions with it": "40",
    },
    {"Reps planned": "5", "Exercise": "Barbell back squat", "Safety arms": "no"},
)


def answered(page: Page) -> None:
    """Wait until what is shown answers what was entered."""
    page.locator("#set-answer[aria-busy=false]").wait_for()


def enter(page: Page, entries: dict[str, str]) -> None:
    """Enter each value at its label and wait for the answer to the last one."""
    for name, value in entries.items():
        control = label(page, name)
        if control.evaluate("(node) => node.tagName") == "SELECT":
            control.select_option(label=value)
        else:
            control.fill(value)
    answered(page)


def assert_strip(page: Page, drawn: Any, found: Any) -> None:
    """The shade is the range, in the words as well; the last rep that is counted is the last one planned."""
    low, high = found["low"], found["high"]
    told = f"{low:g} to {high:g}" if low != high else f"{low:g}"
    assert f"({told}" in page.locator("#set-told").inner_text()
    assert f"Range {low:g} to {high:g}:" in page.locator(".ledger .total").inner_text()
    places = [drawn["wall"] - drawn["rep"] * reserve for reserve in (high, low)]
    assert drawn["band"] == pytest.approx(places, abs=0.5)
    counted = [int(cell) for cell in page.locator(".total .rep").all_text_contents()]
    planned = request_shown(page)["rep_target"]
    assert counted == list(range(planned, planned - len(counted), -1))
    # Sixteenths are wide: no number runs out of its column.
    assert page.locator(".ledger .effect").evaluate_all(
        "(all) => all.every((one) => one.scrollWidth <= one.clientWidth)"
    )
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def assert_adds_up(page: Page, demo: tuple[str, str]) -> None:
    """As written numbers, exactly; as drawn steps, each from where the one before ended, to half a pixel."""
    effects = page.locator(".ledger li:not(.total) .effect").all_inner_texts()
    target = read_number(page.locator(".ledger .total .effect").inner_text())
    assert sum(Fraction(read_number(told)) for told in effects) == Fraction(target)
    _, expected = ask(demo, PATH, request_shown(page))
    assert [read_number(told) for told in effects] == [each["effect_reps"] for each in expected["reasons"]]
    assert target == expected["reps_in_reserve"]["target"]
    assert f"Leave {target:g} rep" in page.locator("#set-told").inner_text()
    terms, _, total = page.locator(".ledger .sum").inner_text().partition(" = ")
    assert read_number(total) == target
    parts = [Fraction(read_number(term)) for term in re.sub(r"([+\u2212]) ", r"\1", terms).split()]
    assert parts == [Fraction(each["effect_reps"]) for each in expected["reasons"] if each["effect_reps"]]
    drawn = page.evaluate(GEOMETRY)
    assert_strip(page, drawn, expected["reps_in_reserve"])
    places = [drawn["wall"], *(end for _, end in drawn["steps"])]
    assert [start for start, _ in drawn["steps"]] == pytest.approx(places[:-1], abs=0.5)
    assert places[-1] == pytest.approx(drawn["end"], abs=0.5)


def test_the_reasons_on_the_screen_add_up_to_the_target_on_the_screen(
    opened: Opened, demo: tuple[str, str]
) -> None:
    """On a desktop and on a phone, whichever way the steps lead."""
    page = opened().go("set")
    for entries in CONTEXTS:
        enter(page, entries)
        for width in (1280, 390, 320):
            page.set_viewport_size({"width": width, "height": 900})
            assert_adds_up(page, demo)


# Label, entry, the same as the service gets it, and where the service says it is; the first is folded away.
BAD = (
    ("Share of last week's sets at failure 0 to 1", "2", {"failure_share_7d": 2}, "#/failure_share_7d"),
    ("Reps planned", "0", {"rep_target": 0}, "#/rep_target"),
    ("Load % of 1RM", "140", {"load_percent_1rm": 140}, "#/load_percent_1rm"),
)


def assert_told(page: Page, control: Any, detail: str) -> None:
    """The message stands at the control, for the eye and for a screen reader."""
    expect(control).to_have_attribute("aria-invalid", "true")
    expect(control).to_be_visible()
    described = (control.get_attribute("aria-describedby") or "").split()
    assert detail in [page.locator(f"#{name}").inner_text() for name in described]


def test_a_bad_entry_shows_the_services_own_message_at_its_field(
    opened: Opened, demo: tuple[str, str]
) -> None:
    """Several at once, one of them folded away before; mended, all are gone."""
    page = opened().go("set")
    fold = page.locator("#set-form details.more summary")
    fold.click()
    label(page, BAD[0][0]).fill(BAD[0][1])
    answered(page)
    fold.click()
    expect(label(page, BAD[0][0])).to_be_hidden()
    for name, entry, _, _ in BAD[1:]:
        label(page, name).fill(entry)
    answered(page)
    status, problem = ask(demo, PATH, {name: value for _, _, body, _ in BAD for name, value in body.items()})
    assert status == 422
    for name, _, _, pointer in BAD:
        assert_told(page, label(page, name), detail_at(problem, pointer))
    for name, _, _, _ in BAD:
        label(page, name).fill("")
    label(page, "Reps planned").fill("8")
    answered(page)
    assert page.locator(".ledger").count() == 1
    assert page.locator("#set-form [aria-invalid]").count() == 0


def test_what_calls_for_care_comes_first_and_warning_signs_withhold(opened: Opened) -> None:
    """No number stands beside a critical caution, and it is read before everything else, whatever else was said."""
    page = opened().go("set")
    for name in ("Age 65 or over", "First session", "Warning signs"):
        label(page, name).check()
    rows = page.locator("#set-answer li")
    expect(rows.first).to_have_class("critical")
    expect(rows.first).to_contain_text("Stop: ")
    assert rows.evaluate_all("(all) => all.map((row) => row.className)")[:4] == [
        "critical",
        "warning",
        "info",
        "info",
    ]
    expect(page.locator("#set-told")).to_contain_text("No target is given.")
    assert page.locator(".ledger").count() == 0
    assert {each["text"] for each in answer_shown(page)["cautions"]} == {
        told.split(": ", 1)[1] for told in rows.all_inner_texts()
    }


def test_every_member_of_the_set_context_has_a_control(opened: Opened, demo: tuple[str, str]) -> None:
    """The document says which; cautions, and members of members, each have one of their own."""
    page = opened().go("set")
    _, document = ask(demo, "/openapi.json")
    schemas = document["components"]["schemas"]
    inner = {"exercise_traits": "ExerciseTraits", "reporting_bias": "ReportingBias"}
    wanted = len(schemas["SetContext"]["properties"]) - len(inner) - 1
    wanted += sum(len(schemas[name]["properties"]) for name in inner.values())
    wanted += len(schemas["SetContext"]["properties"]["cautions"]["anyOf"][0]["items"]["enum"])
    controls = page.locator("#set-form").locator("input, select")
    assert controls.count() == wanted
    unnamed = controls.evaluate_all("(all) => all.filter((one) => !one.labels[0]?.textContent.trim()).length")
    assert unnamed == 0


def test_the_exact_call_is_copied_in_three_languages(opened: Opened) -> None:
    """Each holds the address and the body, none the key."""
    shown: Shown = opened(permissions=["clipboard-read", "clipboard-write"])
    page = shown.go("set")
    marks = (
        ("curl", "curl -s", '"safety_arms":true'),
        ("Python", "urllib.request", '"safety_arms": True,'),
        ("TypeScript", "await fetch(", "body: JSON.stringify({"),
    )
    for name, mark, member in marks:
        page.get_by_role("button", name=f"Copy as {name}").click()
        page.locator(f"button[data-name='Copy as {name}']", has_text="Copied").wait_for()
        told = page.evaluate("navigator.clipboard.readText()")
        assert mark in told
        assert member in told
        assert shown.base + PATH in told
        assert "barbell_back_squat" in told
        assert "KEY" in told
