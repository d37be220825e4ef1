"""What holds in every view: nothing leaves the origin, nothing is forbidden or fails, nobody is kept out."""

from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.asking import ask
from tests.browser.conftest import READY, Opened, wait_until_drawn

NARROWEST = 320  # WCAG 2.2, 1.4.10
WIDTHS = {"phone": 390, "desktop": 1280}
LOADS = "() => document.documentElement.scrollWidth"


def issues(page: Page, part: str | None = None, passed_over: frozenset[str] = frozenset()) -> list[str]:
    """What axe-core finds wrong, and where; `part` selects what is looked at, the whole page if None.

    `passed_over`: impacts that do not count, for markup that is not ours.
    """
    found = Axe().run(page, context=part).response["violations"]
    return [
        f"{issue['id']}: {node['target']}"
        for issue in found
        if issue["impact"] not in passed_over
        for node in issue["nodes"]
    ]


@pytest.mark.parametrize("view", READY)
def test_a_view_is_open_to_everybody_and_keeps_to_itself(opened: Opened, view: str, tmp_path: Path) -> None:
    """Light and dark, phone and desktop: axe-core finds nothing, nothing is cut off, no foreign request.

    Folded parts are unfolded for it. Pictures of what was looked at lie in the test's folder.
    """
    for scheme in ("light", "dark"):
        shown = opened(color_scheme=scheme)
        page = shown.go(view)
        page.wait_for_load_state("networkidle")
        page.set_viewport_size({"width": NARROWEST, "height": 900})
        assert page.evaluate(LOADS) <= NARROWEST
        for name, width in WIDTHS.items():
            page.set_viewport_size({"width": width, "height": 900})
            wait_until_drawn(page)
            assert page.evaluate(LOADS) <= width, (name, scheme)
            page.screenshot(path=tmp_path / f"{view}-{name}-{scheme}.png", full_page=True)
        page.evaluate("() => document.querySelectorAll('details').forEach((each) => (each.open = true))")
        assert issues(page) == []
        assert "`" not in page.locator("main").inner_text(), (
            "a description is shown as it is written for the reference"
        )
        assert shown.wrong == []
        assert {urlsplit(url).netloc for url in shown.asked} == {urlsplit(shown.base).netloc}
    assert len(list(tmp_path.glob("*.png"))) == 2 * len(WIDTHS)


def test_the_policy_forbids_what_does_not_belong_to_the_page(opened: Opened) -> None:
    """Script and style within the markup, and another origin: each is refused, and this test sees it."""
    shown = opened()
    page = shown.go("set")
    page.evaluate("""() => {
      const script = document.createElement("script");
      script.textContent = "window.ran = true";
      document.body.append(script);
      document.body.insertAdjacentHTML("beforeend", '<p style="color: red" id="styled">x</p>');
      return fetch("http://127.0.0.1:9/").catch(() => null);
    }""")
    assert page.evaluate("window.ran") is None
    told = "\n".join(shown.wrong)
    for directive in ("script-src", "style-src", "connect-src"):
        assert f"CSP {directive}" in told


def test_without_a_key_the_page_asks_and_keeps_it_in_the_tab(opened: Opened, demo: tuple[str, str]) -> None:
    """A wrong key is said so; a right one is used, never in an address, never beyond the tab."""
    shown = opened()
    page = shown.page
    page.route("**/page/access", lambda route: route.fulfill(json={"key": None, "lifters": []}))
    page.goto(shown.base)
    entry = page.get_by_label("API key")
    entry.fill("effk_wrong")
    page.get_by_role("button", name="Use it").click()
    expect(page.locator("#key-fault")).to_contain_text("knows no live key")
    entry.fill(demo[1])
    entry.press("Enter")
    page.locator(READY["set"]).wait_for()
    expect(page.locator("#key-form")).to_be_hidden()
    assert page.evaluate("Object.values(sessionStorage)") == [demo[1]]
    assert page.evaluate("localStorage.length") == 0
    assert page.evaluate("document.cookie") == ""
    assert not [url for url in [page.url, *shown.asked] if demo[1] in url]


def test_the_demo_hands_out_a_key_that_can_only_read_and_compute(demo: tuple[str, str]) -> None:
    """Not the one it prints; writing with it is forbidden."""
    base, printed = demo
    key = httpx.get(f"{base}/page/access").json()["key"]
    assert key != printed
    sets = {
        "sets": [
            {
                "performed_at": "2026-01-05T18:00:00Z",
                "exercise": "leg_press",
                "load_kg": 80,
                "reps": 8,
                "set_endpoint": "planned_stop",
            }
        ]
    }
    assert ask((base, key), "/v1/lifters/otter-7/state")[0] == 200
    assert ask((base, key), "/v1/lifters/otter-7/sets", sets)[0] == 403
