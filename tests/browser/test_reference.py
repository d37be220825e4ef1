"""The reference in a real browser: open to everybody, without script but for the contract, which can be tried out."""

from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.asking import ask
from tests.browser.conftest import Opened
from tests.browser.test_every_view import LOADS, WIDTHS, issues

POLICY = "/policies/2026-11-26"
KINDS = (f"{POLICY}/safety_floor", "/evidence/LAS22", "/problems/invalid-input", "/docs")
ANSWERED = ".live-responses-table tbody .response-col_status"


def settled(page: Page) -> None:
    """Wait until the page stands, the contract drawn."""
    page.wait_for_load_state("networkidle")
    if urlsplit(page.url).path == "/docs":
        page.locator(".opblock").first.wait_for()


# What is inked apart at night: a plot, a table of shades.
AT_NIGHT = (f"{POLICY}/exposures", f"{POLICY}/base", "/numbers/plans")


@pytest.mark.parametrize(("scheme", "paths"), [("light", KINDS), ("dark", AT_NIGHT)])
def test_a_page_of_the_reference_is_open_to_everybody_and_keeps_to_itself(
    opened: Opened, scheme: str, paths: tuple[str, ...]
) -> None:
    """axe-core finds nothing, nothing is wider than a phone, no foreign request, nothing forbidden."""
    shown = opened(color_scheme=scheme)
    page = shown.page
    for path in paths:
        page.goto(shown.base + path)
        settled(page)
        for width in WIDTHS.values():
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(LOADS) <= width, path
        # Most of that page is the library's.
        passed_over = frozenset({"minor", "moderate"} if path == "/docs" else ())
        assert issues(page, passed_over=passed_over) == [], path
        assert shown.wrong == [], path
    assert {urlsplit(url).netloc for url in shown.asked} == {urlsplit(shown.base).netloc}


def test_the_reference_is_whole_without_script_and_on_paper(opened: Opened) -> None:
    """Curves are drawn, tables stand; printed, ways to other pages are left out."""
    shown = opened(java_script_enabled=False)
    page = shown.page
    page.goto(f"{shown.base}{POLICY}/exposures")
    expect(page.get_by_role("img", name="effect over effective exposures")).to_be_visible()
    expect(page.get_by_role("row", name="3 +0.25")).to_be_visible()
    ways = page.get_by_role("navigation", name="Where you are")
    expect(ways).to_be_visible()
    page.emulate_media(media="print")
    expect(ways).to_be_hidden()
    page.emulate_media(media="screen")
    page.goto(f"{shown.base}/docs")
    expect(page.get_by_role("link", name="GET /openapi.json")).to_be_visible()


def tried(page: Page, operation_id: str) -> Locator:
    """Open an operation, send it as it stands, and return it with its answer."""
    operation = page.locator(f"[id$={operation_id}]")
    if not operation.locator(".execute").is_visible():
        operation.locator(".opblock-summary-control").click()
    operation.locator(".execute").click()
    operation.locator(ANSWERED).wait_for()
    return operation


def test_an_operation_is_tried_out_as_it_stands(opened: Opened, demo: tuple[str, str]) -> None:
    """The demo's key and one of its lifters are in place; what comes back is what the service answers."""
    shown = opened()
    page = shown.page
    page.emulate_media(color_scheme="dark")  # at night, as the contract was seen by day above
    page.goto(f"{shown.base}/docs#/Prescriptions/createPrescription")  # a link leads to one operation
    page.locator("[id$=createPrescription] .execute").wait_for()
    expect(tried(page, "createPrescription").locator(ANSWERED)).to_contain_text("200")
    assert issues(page, "[id$=createPrescription]") == []
    for operation_id in ("createLifterPrescription", "getSet"):
        expect(tried(page, operation_id).locator(ANSWERED)).to_contain_text("200")
    parameters = page.locator("[id$=getSet] [data-param-name] input")
    lifter_id, set_id = (parameters.nth(place).input_value() for place in range(2))
    assert ask(demo, f"/v1/lifters/{lifter_id}/sets/{set_id}")[0] == 200
    assert shown.wrong == []
    assert {urlsplit(url).netloc for url in shown.asked} == {urlsplit(shown.base).netloc}


def test_a_reason_leads_to_its_source(opened: Opened) -> None:
    """From the ledger of the page to the page of the evidence, and on to what rests on it."""
    shown = opened()
    page = shown.go("set")
    page.locator("#set-parts .ledger .support a").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Source ")
    page.get_by_role("link", name="Length of the set and load").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Length of the set and load")
    assert shown.wrong == []
