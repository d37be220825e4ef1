"""HTML as a tree. Text only ever stands in nodes, so escaping is the serialiser's."""

import re
from collections.abc import Iterable
from urllib.parse import quote
from xml.etree.ElementTree import Element, SubElement, tostring

Content = Element | str | None
_CODE = re.compile(r"`([^`]*)`")
_PLACEHOLDER = re.compile(r"\{(\w+)(?::[^}]*)?\}")
_SPELT = {"1rm": "1RM", "7d": "in 7 days", "percent": "%"}


def element(tag: str, *content: Content, **attributes: str) -> Element:
    """Return an element holding the content in order; None is nothing.

    `kind` is the attribute `class`; an underscore in a name stands for a hyphen.
    """
    if "kind" in attributes:
        attributes["class"] = attributes.pop("kind")
    made = Element(tag, {name.replace("_", "-"): value for name, value in attributes.items()})
    for each in content:
        if isinstance(each, Element):
            made.append(each)
        elif each is not None and len(made):
            made[-1].tail = (made[-1].tail or "") + each
        elif each is not None:
            made.text = (made.text or "") + each
    return made


def html(parts: Iterable[Element]) -> str:
    """Return the elements as HTML, one after the other."""
    return "\n".join(tostring(part, encoding="unicode", method="html") for part in parts)


def link(address: str, *content: Content) -> Element:
    """Return a link inside the service; `address` is a path."""
    return element("a", *content, href=address)


def outside_link(address: str, told: str) -> Element:
    """Return a link that leaves the service, and takes nothing along but itself."""
    return element("a", told, href=address, rel="external noopener noreferrer")


def path(*parts: str) -> str:
    """Return an address of the service made of these parts, escaped."""
    return "".join(f"/{quote(part, safe='')}" for part in parts)


def prose(text: str, tag: str = "p", **attributes: str) -> Element:
    """Return text in which what stands between backticks is code."""
    pieces = _CODE.split(text)
    content = [element("code", piece) if place % 2 else piece for place, piece in enumerate(pieces)]
    return element(tag, *content, **attributes)


def words(name: str) -> str:
    """Return a name of the contract in words."""
    return " ".join(_SPELT.get(part, part) for part in name.split("_"))


def template(text: str) -> Element:
    """Return a text of the policy as it is; what is filled in for each lifter stands out as a variable."""
    pieces = _PLACEHOLDER.split(text)
    content = [element("var", words(piece)) if place % 2 else piece for place, piece in enumerate(pieces)]
    return element("q", *content)


def number(value: float) -> str:
    """Return a number as people write it: no trailing zeros, a true minus sign."""
    return f"{value:.4f}".rstrip("0").rstrip(".").replace("-", "\N{MINUS SIGN}")


def signed(value: float) -> str:
    """Return a number with its sign."""
    return f"+{number(value)}" if value > 0 else number(value)


def listed(items: Iterable[Content], kind: str = "plain") -> Element:
    """Return an unordered list."""
    return element("ul", *(element("li", item) for item in items), kind=kind)


def table(caption: str, heads: Iterable[str], rows: Iterable[Iterable[Content]], kind: str = "") -> Element:
    """Return a table whose first column heads its rows. It scrolls by itself where the screen is narrow."""
    made = element("table", element("caption", caption))
    SubElement(made, "thead").append(element("tr", *(element("th", head, scope="col") for head in heads)))
    body = SubElement(made, "tbody")
    for first, *rest in rows:
        row = element("tr", element("th", first, scope="row"), *(element("td", cell) for cell in rest))
        body.append(row)
    if kind:
        made.set("class", kind)
    return scrolling(made, caption)


def scrolling(content: Element, told: str) -> Element:
    """Return a box that scrolls sideways, with the keyboard as well; `told` names it."""
    return element("div", content, kind="scroll", tabindex="0", role="region", aria_label=told)
