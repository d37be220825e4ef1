"""A plan and a lifter: what is shown is what the service answers, and what can be done about it works."""

import json
import re

from playwright.sync_api import expect

from tests.browser.asking import ask, detail_at
from tests.browser.conftest import Opened

PATH = "/v1/plan-prescriptions"
ONE_SESSION = {
    "lifter": {"experience": "novice"},
    "sessions": [
        {
            "starts_at": "2027-01-04T18:00:00+01:00",
            "exercises": [{"exercise": "leg_press", "sets": [{"rep_target": 10, "rest_seconds": 120}]}],
        }
    ],
}


def test_a_plan_shows_targets_payers_and_mends_and_takes_a_mend_over(
    opened: Opened, demo: tuple[str, str]
) -> None:
    """Each number as the service gives it; the button of a warning makes the warning go away."""
    page = opened().go("plan")
    body = json.loads(page.locator("#plan-json").input_value())
    _, expected = ask(demo, PATH, body)
    found = [set_ for each in expected["sessions"][0]["exercises"] for set_ in each["sets"]]
    targets = page.locator(".sheet tbody td:nth-child(3) strong").all_inner_texts()
    assert targets == [f"leave {each['prescription']['reps_in_reserve']['target']:g}" for each in found]
    paid = expected["carryover"]["as_proposed"]["paid_by"]
    worst = max(paid, key=lambda each: each["reps_lost"])
    losses = page.get_by_role("region", name="Reps that a later exercise loses").locator(
        "tbody tr td:nth-child(3)"
    )
    assert max(float(told) for told in losses.all_inner_texts()) == round(worst["reps_lost"], 1)
    heeded = [each for each in expected["warnings"] if each["severity"] != "info"]
    mends = page.get_by_role("list", name="What to mend").get_by_role("listitem")
    assert mends.count() == len(heeded) > 0
    page.get_by_role("button", name="Take the prescribed").first.click()
    expect(mends).to_have_count(len(heeded) - 1)


def test_a_plan_is_built_row_by_row_and_bad_entries_are_told_in_their_row(
    opened: Opened, demo: tuple[str, str]
) -> None:
    """JSON goes in, rows come out, and the other way round; the service's own message stands at the entry."""
    page = opened().go("plan")
    page.get_by_text("The plan as JSON").click()
    page.get_by_label("Plan", exact=True).fill("{")
    page.get_by_role("button", name="Use this JSON").click()
    expect(page.locator("#plan-json-fault")).to_contain_text("no plan in JSON")
    page.get_by_label("Plan", exact=True).fill(json.dumps(ONE_SESSION))
    page.get_by_role("button", name="Use this JSON").click()
    expect(page.locator("#plan-told")).to_contain_text("1 set prescribed")
    page.get_by_role("button", name="Add a set of Leg press").click()
    expect(page.locator("#plan-told")).to_contain_text("2 sets prescribed")
    assert page.evaluate("document.activeElement.closest('.set-row').innerText").startswith("Set 2")
    reps = page.get_by_label("Reps", exact=True).nth(1)
    reps.fill("0")
    expect(reps).to_have_attribute("aria-invalid", "true")
    body = json.loads(page.locator("#plan-json").input_value())
    _, problem = ask(demo, PATH, body)
    told = page.locator(f"#{reps.get_attribute('aria-describedby')}")
    expect(told).to_have_text(detail_at(problem, "#/sessions/0/exercises/0/sets/1/rep_target"))


def test_the_sheet_of_a_plan_is_for_the_gym(opened: Opened) -> None:
    """On paper stand the targets and room to write; controls, code and colours of the screen do not, at night too."""
    page = opened(color_scheme="dark").go("plan")
    page.emulate_media(media="print")
    shade = page.locator(".cautions .warning").first.evaluate(
        "(node) => getComputedStyle(node).backgroundColor"
    )
    assert min(map(int, re.findall(r"\d+", shade)[:3])) > 200  # light paper under dark ink
    expect(page.locator("#plan-form")).to_be_hidden()
    expect(page.locator(".exact")).to_be_hidden()
    for links in page.get_by_role("navigation", include_hidden=True).all():
        expect(links).to_be_hidden()
    expect(page.locator(".sheet .blank").first).to_be_visible()
    assert page.locator(".sheet tbody tr").count() == page.locator(".sheet .blank").count()


def test_a_lifter_of_the_demo_is_shown_as_learned(opened: Opened, demo: tuple[str, str]) -> None:
    """The one who takes every set to failure: shares and 1RM as the routes give them."""
    page = opened().go("lifter")
    page.get_by_label("Lifter (a pseudonym)").select_option("badger-4")
    expect(page.locator("#lifter-story")).to_contain_text("Takes every set to failure")
    _, state = ask(demo, "/v1/lifters/badger-4/state")
    expect(page.locator("#lifter-told")).to_contain_text(f"{state['sets']} sets")
    _, review = ask(demo, "/v1/lifters/badger-4/review?weeks=12")
    cells = page.locator(".shares .share").all_inner_texts()
    shares = [each["failure_share"] for week in review["weeks"] for each in week["muscles"]]
    assert sorted(int(told.split(" ")[0]) for told in cells) == sorted(round(100 * share) for share in shares)
    first = state["exercises"][0]
    page.get_by_label("Exercise", exact=True).select_option(first["exercise"])
    expect(page.locator("#lifter-parts")).to_contain_text(
        f"Now {first['one_rep_max_kg']['mean']:.1f} kg".replace(".0 kg", " kg")
    )
