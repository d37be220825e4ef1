"""`effort demo` as a newcomer starts it, and pages of it that tell whatever goes wrong."""

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Request, expect, sync_playwright

from tests.browser.chromium import FLAGS, chromium
from tests.contract.server import wait_for
from tests.ports import free_port

ROOT = Path(__file__).parents[2]
# Told by the browser itself whenever the content security policy forbids something.
TELL_VIOLATIONS = """
addEventListener("securitypolicyviolation", (event) =>
  console.error(`CSP ${event.violatedDirective} ${event.blockedURI}`));
"""
Opened = Callable[..., "Shown"]
expect.set_options(timeout=30_000)  # on a busy machine five seconds may not do
DRAWN = (
    "() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(go, 50))))"
)


class Shown:
    """A page, everything it asked for, and everything that went wrong."""

    def __init__(self, page: Page, base: str) -> None:
        self.page = page
        self.base = base
        self.wrong: list[str] = []
        self.asked: list[str] = []
        page.add_init_script(TELL_VIOLATIONS)
        page.on(
            "console",
            lambda told: self.wrong.append(told.text) if told.type in {"error", "warning"} else None,
        )
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("request", self._note)

    def _note(self, request: Request) -> None:
        if not request.url.startswith("data:"):
            self.asked.append(request.url)

    def go(self, view: str) -> Page:
        """Open the view and wait until it has answered."""
        self.page.goto(f"{self.base}/#{view}")
        self.page.locator(READY[view]).first.wait_for()
        return self.page


def wait_until_drawn(page: Page) -> None:
    """Charts are drawn to their width with the frame after it changed."""
    page.evaluate(DRAWN)


READY = {"set": "#set-parts .ledger", "plan": "#plan-parts .sheet", "lifter": "#lifter-parts .shares"}


@pytest.fixture(scope="session")
def demo() -> Iterator[tuple[str, str]]:
    """The address of `effort demo`, and the key it printed."""
    browser = chromium()  # first: where there is none, nothing is to be served
    assert browser
    port = free_port()
    command = [sys.executable, "-m", "service", "demo", "--port", str(port)]
    process = subprocess.Popen(command, cwd=ROOT, env=os.environ, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        key = re.match(r"API key: (\S+)", process.stdout.readline())
        assert key is not None
        wait_for(port)
        yield f"http://127.0.0.1:{port}", key[1]
    finally:
        process.terminate()
        process.communicate(timeout=30)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The installed browser; gone after each file, for while it is there no async test of another file can run."""
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        yield found
        found.close()


@pytest.fixture
def opened(browser: Browser, demo: tuple[str, str]) -> Iterator[Opened]:
    """Opens pages in contexts of their own; options are those of a browser context."""
    contexts = []

    def open_page(**options: Any) -> Shown:
        context = browser.new_context(
            **{"viewport": {"width": 1280, "height": 900}, "reduced_motion": "reduce", **options}
        )
        contexts.append(context)
        return Shown(context.new_page(), demo[0])

    yield open_page
    for context in contexts:
        context.close()
