"""Pages of the reference in the frame that all pages of the service share."""

from collections.abc import Iterable
from xml.etree.ElementTree import Element

from service.page.assets import Asset, framed
from service.reference.markup import Content, element, html, link, listed, path
from service.reference.sections import Section

STYLE = "reference.css"


def page(title: str, *parts: Element, script: str | None = None, styles: tuple[str, ...] = ()) -> Asset:
    """Return a page with this title, also as its heading."""
    whole = element("article", element("h1", title), *parts, kind="reference")
    return framed(title, html([whole]), script=script, styles=(f"/page/{STYLE}", *styles))


def trail(*steps: tuple[str, str]) -> Element:
    """Return the way to a page: address and name of each page above it."""
    return element(
        "nav",
        listed((link(address, told) for address, told in steps), kind="trail"),
        aria_label="Where you are",
    )


def as_data(address: str) -> Element:
    """Return where programs find the same."""
    return element("p", "For programs: ", link(address, element("code", f"GET {address}")), kind="hint")


def contents(sections: Iterable[Section]) -> Element:
    """Return links to the sections of the page they stand in."""
    links = listed((link(f"#{each.name}", each.title) for each in sections), kind="contents")
    return element("nav", links, aria_label="On this page")


def in_section(section: Section) -> Element:
    """Return a section of a long page; its title leads to the page it has to itself."""
    heading = element("h2", link(section.address, section.title), id=f"{section.name}-title")
    return element(
        "section", heading, *section.parts, id=section.name, aria_labelledby=f"{section.name}-title"
    )


def facts(*rows: tuple[str, Content]) -> Element:
    """Return terms, each with what is told of it; what is None is left out."""
    parts = []
    for term, told in rows:
        if told is not None:
            parts += [element("dt", term), element("dd", told)]
    return element("dl", *parts, kind="facts")


POLICIES = (path("policies"), "Policies")
EVIDENCE = (path("evidence"), "Evidence")
PROBLEMS = (path("problems"), "Problems")
