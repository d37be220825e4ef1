"""Where a number comes from, and what is told because of a source."""

from collections.abc import Iterator
from typing import NamedTuple
from xml.etree.ElementTree import Element

from msgspec import Struct
from msgspec.structs import fields

from service.reference.markup import element, link, number, path, table, words
from service.rules.curves import Curve, Grid, Level, Table
from service.rules.policy import Evidence, Sourced

GRADES = {
    "meta_analysis": "pooled over several trials",
    "trial": "a training trial",
    "acute_study": "a study of single sessions",
    "observational": "observed, not tried",
    "consensus": "a statement of experts",
    "common_practice": "common practice of coaches, no study behind it",
    "judgement": "expert judgement: studies give at most the direction, not the size",
}
STATUSES = {
    "abstract": "checked against the abstract",
    "secondary": "checked on a page about it",
    "from_memory": "from memory, not checked",
}


class Citation(NamedTuple):
    """Keys of the register that stand behind something, and the texts told with it."""

    keys: tuple[str, ...]
    texts: tuple[str, ...]


def citations(shown: object) -> Iterator[Citation]:
    """Yield every citation in data of a policy: whatever stands beside a source is told with it."""
    if isinstance(shown, Level) and shown.evidence is not None:
        yield Citation(shown.evidence, (shown.text,))
    elif isinstance(shown, Sourced):
        yield Citation(shown.evidence, ())
    elif isinstance(shown, Struct) and not isinstance(shown, Evidence):
        for field in fields(shown):
            value = getattr(shown, field.name)
            if isinstance(value, Sourced):
                yield Citation(value.evidence, tuple(_texts(shown)))
            else:
                yield from citations(value)
    elif isinstance(shown, dict | tuple):
        for value in shown.values() if isinstance(shown, dict) else shown:
            yield from citations(value)


def _texts(shown: Struct) -> Iterator[str]:
    for field in fields(shown):
        value = getattr(shown, field.name)
        if isinstance(value, str) and ("text" in field.name or "mend" in field.name):
            yield value
        elif isinstance(value, Curve | Grid):
            yield from (band.text for band in value.texts)
        elif isinstance(value, Table):
            inherited = (level.text for level in value.levels.values() if level.evidence is None)
            yield from dict.fromkeys(filter(None, inherited))


def grade(name: str) -> Element:
    """Return a grade with what it means."""
    return element("span", grade_word(name), f", {GRADES[name]}")


def support(sourced: Sourced) -> Element:
    """Return grade, basis and sources of a number in one piece, for the cell of a table."""
    return element("span", grade_word(sourced.grade), f". {sourced.basis} Sources: ", keys(sourced.evidence))


def grade_word(name: str) -> Element:
    """Return a grade by its name alone."""
    return element("strong", words(name).capitalize())


def keys(evidence: tuple[str, ...]) -> Element:
    """Return links to the pages of these sources."""
    made = element("span")
    for place, key in enumerate(evidence):
        made.append(link(path("evidence", key), key))
        made[-1].tail = ", " if place + 1 < len(evidence) else ""
    if not evidence:
        made.text = "none"
    return made


def source(sourced: Sourced) -> Element:
    """Return grade, basis and sources of a number."""
    return element(
        "dl",
        element("dt", "Support"),
        element("dd", grade(sourced.grade)),
        element("dt", "Basis"),
        element("dd", sourced.basis),
        element("dt", "Sources"),
        element("dd", keys(sourced.evidence)),
        kind="facts",
    )


def numbers(caption: str, shown: Struct) -> Element:
    """Return every plain number and list of numbers of a Struct; units stand in the names."""
    rows: list[tuple[str, str]] = []
    for field in fields(shown):
        value = getattr(shown, field.name)
        if not isinstance(value, Sourced):
            rows += _rows(field.name, value)
    return table(caption, ("What", "Value"), rows)


def _rows(name: str, value: object) -> list[tuple[str, str]]:
    if isinstance(value, bool | str):
        return [] if "text" in name or "mend" in name else [(words(name), words(str(value)))]
    if isinstance(value, int | float):
        return [(words(name), number(value))]
    if isinstance(value, Struct):
        return [
            row for each in fields(value) for row in _rows(f"{name}_{each.name}", getattr(value, each.name))
        ]
    if isinstance(value, dict):
        return [row for key, each in value.items() for row in _rows(f"{name}_{key}", each)]
    if isinstance(value, tuple) and value and isinstance(value[0], Struct):
        return [row for place, each in enumerate(value, 1) for row in _rows(f"{name}_{place}", each)]
    if isinstance(value, tuple):
        return [
            (words(name), ", ".join(number(v) if isinstance(v, int | float) else words(v) for v in value))
        ]
    return []
