"""Pages of the evidence register: every source, and what rests on it."""

from collections.abc import Iterator, Mapping
from xml.etree.ElementTree import Element

from service.page.assets import Asset
from service.reference.frames import EVIDENCE, as_data, facts, page, trail
from service.reference.markup import element, link, listed, outside_link, path, table, template, words
from service.reference.sections import Section
from service.reference.sources import GRADES, STATUSES, grade
from service.rules.policy import Evidence

DOI = "https://doi.org/"


def evidence_index(register: Mapping[str, Evidence], sections: tuple[Section, ...]) -> Asset:
    """Return the register: every source by its key, and whether any of the sections rests on it."""
    used = {key for section in sections for cited in section.cited for key in cited.keys}
    return page(
        "Evidence",
        element(
            "p",
            "What the numbers rest on, in our own words. A key in an answer's reasons leads here. No full text was "
            "read: each page says how far its figures were checked, and what they do not license.",
        ),
        table(
            f"{len(register)} sources",
            ("Key", "Source", "Kind", "Support", "Used"),
            (
                (
                    link(path("evidence", entry.key), entry.key),
                    entry.citation.strip(),
                    entry.design,
                    words(entry.grade),
                    "yes" if entry.key in used else "background",
                )
                for entry in register.values()
            ),
        ),
        element("h2", "Grades of support"),
        listed(grade(name) for name in GRADES),
        as_data("/v1/evidence"),
    )


def evidence_page(entry: Evidence, sections: tuple[Section, ...]) -> Asset:
    """Return one source, and which of the sections rest on it."""
    where = None if entry.doi is None else outside_link(DOI + entry.doi, f"doi:{entry.doi}")
    return page(
        f"Source {entry.key}",
        trail(EVIDENCE),
        element("p", entry.citation.strip(), kind="citation"),
        facts(
            ("Where", where),
            ("Year", None if entry.year is None else str(entry.year)),
            ("Design and people", entry.design),
            ("What was found", entry.finding.strip()),
            ("What it licenses", entry.licenses),
            ("What it does not", entry.limits),
            ("Support", grade(entry.grade)),
            ("Figures", STATUSES[entry.status]),
        ),
        element("h2", "What rests on it"),
        _uses(entry.key, sections),
        as_data(path("v1", "evidence", entry.key)),
    )


def _uses(key: str, sections: tuple[Section, ...]) -> Element:
    uses = list(_used(key, sections))
    return listed(uses) if uses else element("p", "No number: it is background.")


def _used(key: str, sections: tuple[Section, ...]) -> Iterator[Element]:
    for section in sections:
        found = [cited for cited in section.cited if key in cited.keys]
        if found:
            texts = dict.fromkeys(text for cited in found for text in cited.texts if text)
            named = link(section.address, section.title)
            yield element("div", named, listed(map(template, texts)) if texts else None)
