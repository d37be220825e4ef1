"""What goes wrong beside an entry: nobody answers, a key is no key. Nothing old is shown as if it were the answer."""

import re

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import READY, Opened
from tests.browser.test_one_set import answered, label, request_shown

AWAY = "The service does not answer."
NO_ACCESS = {"key": None, "lifters": []}


def leave(route: Route) -> None:
    """As if nobody were there."""
    route.abort()


def test_a_target_does_not_outlive_the_service(opened: Opened) -> None:
    """Not beside other entries, not at the foot of a phone; it is back with the service."""
    page = opened(viewport={"width": 390, "height": 800}).go("set")
    page.wait_for_load_state("networkidle")
    page.route("**/v1/**", leave)
    label(page, "Reps planned").fill("15")
    for place in ("#trouble", "#set-told", "#set-glance"):
        expect(page.locator(place)).to_contain_text(AWAY)
    assert page.locator("#set-parts").inner_text() == page.locator("#set-cautions").inner_text() == ""
    page.unroute("**/v1/**")
    label(page, "Reps planned").fill("14")
    page.locator(READY["set"]).wait_for()
    expect(page.locator("#trouble")).to_be_hidden()


def test_a_refusal_takes_the_place_of_the_answer(opened: Opened) -> None:
    """Whatever its status; the service's own words tell why."""
    page = opened().go("plan")
    page.route(
        "**/v1/plan-prescriptions*",
        lambda route: route.fulfill(status=429, json={"status": 429, "detail": "too many"}),
    )
    page.locator(".set-row input").first.fill("9")
    expect(page.locator("#plan-told")).to_have_text("No targets. too many")
    assert page.locator("#plan-parts").inner_text() == ""


def test_a_lifter_who_cannot_be_read_is_not_shown_as_the_one_before(opened: Opened) -> None:
    """The pictures of another are gone."""
    page = opened().go("lifter")
    page.route("**/state", leave)
    page.get_by_label("Lifter (a pseudonym)").select_option("badger-4")
    expect(page.locator("#lifter-told")).to_contain_text(AWAY)
    assert page.locator("#lifter-parts").inner_text() == ""


@pytest.mark.parametrize("path", ["/page/access", "/page/forms", "/v1/exercises"])
def test_what_could_not_be_read_at_first_is_read_when_the_service_is_back(opened: Opened, path: str) -> None:
    """Going to another view and back is enough."""
    shown = opened()
    page = shown.page
    page.route(f"**{path}", leave)
    page.goto(shown.base)
    expect(page.locator("#trouble")).to_contain_text(AWAY)
    page.unroute(f"**{path}")
    page.get_by_role("link", name="A plan").click()
    page.locator(READY["plan"]).first.wait_for()
    expect(page.get_by_role("link", name="A plan")).to_have_attribute("aria-current", "page")
    page.get_by_role("link", name="One set").click()
    page.locator(READY["set"]).wait_for()
    expect(page.get_by_role("link", name="A plan")).not_to_have_attribute("aria-current", re.compile("."))
    assert page.locator("#set-form fieldset legend").all_inner_texts().count("The set") == 1


def keyless(page: Page, base: str) -> None:
    """Open the page of a server that has no key to give."""
    page.route("**/page/access", lambda route: route.fulfill(json=NO_ACCESS))
    page.goto(base)
    page.get_by_label("API key").wait_for()


@pytest.mark.parametrize(
    "entry", ["", "effk\N{EN DASH}dash", "effk with spaces", "\N{CYRILLIC SMALL LETTER KA}"]
)
def test_what_cannot_be_a_key_is_said_at_its_field_and_not_kept(opened: Opened, entry: str) -> None:
    """A header cannot hold it, so it would never reach the service that could refuse it."""
    shown = opened()
    page = shown.page
    keyless(page, shown.base)
    page.get_by_label("API key").fill(entry)
    page.get_by_role("button", name="Use it").click()
    expect(page.get_by_label("API key")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_role("alert").filter(has_text="This cannot be a key")).to_be_visible()
    assert page.evaluate("sessionStorage.length") == 0


def test_a_key_nobody_knows_leaves_the_focus_at_its_field_and_nothing_in_the_tab(opened: Opened) -> None:
    """The form goes away while the service is asked; who entered it by the keyboard does not start again at the top."""
    shown = opened()
    page = shown.page
    keyless(page, shown.base)
    page.get_by_label("API key").fill("effk_wrong")
    page.keyboard.press("Enter")
    expect(page.locator("#key-fault")).to_contain_text("knows no live key")
    expect(page.get_by_label("API key")).to_be_focused()
    expect(page.locator("#trouble")).to_be_hidden()
    assert page.evaluate("sessionStorage.length") == 0


def test_a_late_answer_to_an_older_question_does_not_take_the_place_of_the_newest(opened: Opened) -> None:
    """The older question is given up, however long the service took over it."""
    page = opened().go("set")
    page.evaluate("""() => {
      const plain = window.fetch;
      window.fetch = async (path, options) => {
        if (options?.body?.includes('"rep_target":15')) await new Promise((go) => setTimeout(go, 900));
        return plain(path, options);
      };
    }""")
    label(page, "Reps planned").fill("15")
    page.wait_for_timeout(400)  # it is asked
    label(page, "Reps planned").fill("16")
    answered(page)
    page.wait_for_timeout(1200)  # the older one would be answered by now
    assert request_shown(page)["rep_target"] == 16
    expect(page.locator("#trouble")).to_be_hidden()


def test_the_page_speaks_its_own_language_whatever_the_browser_prefers(opened: Opened) -> None:
    """The service would speak German to it; a page half in one and half in another helps nobody."""
    page = opened(locale="de-DE").go("set")
    expect(page.locator("#set-cautions")).to_contain_text("A training target, not medical advice")
    assert "Barbell back squat" in page.locator("#set-form option").all_inner_texts()
