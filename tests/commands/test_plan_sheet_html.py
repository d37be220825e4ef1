"""The sheet as HTML: one file, well formed, escaped, fit for a reader of screens and for paper."""

import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from service.cli.sheet import Sheet
from service.cli.sheet_html import html_sheet
from tests.commands.plan_sheets import (
    NAMES,
    TEXTS,
    answered,
    exercise,
    golden_sheet,
    groups,
    plan_of,
    printing,
    renamed,
    sets,
    sheet,
    sheet_of,
    withheld,
)

VOID = {"meta", "br", "hr", "img", "input", "link"}
Attributes = dict[str, str]


class Page(HTMLParser):
    """What stands in a page: its elements with attributes, path and own text; fails where tags do not match."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, Attributes, tuple[str, ...]]] = []
        self.texts: list[tuple[str, tuple[str, ...]]] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element; no attribute is told twice."""
        assert len({name for name, _ in attrs}) == len(attrs)
        self.elements.append((tag, {name: value or "" for name, value in attrs}, tuple(self.open)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Refuse `<td/>`, which HTML takes for an open one."""
        raise AssertionError(f"<{tag}/> closes nothing in HTML: {attrs}")

    def handle_endtag(self, tag: str) -> None:
        """Close the innermost element, which must be this one."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Note text where it stands."""
        self.texts.append((data, tuple(self.open)))

    def all(self, tag: str) -> list[Attributes]:
        """Return the attributes of the elements of this tag."""
        return [attributes for name, attributes, _ in self.elements if name == tag]

    def words(self, within: str = "body") -> str:
        """Return the text inside elements of this tag, runs of white space as one space."""
        return " ".join("".join(text for text, path in self.texts if within in path).split())


def page(told: Sheet) -> Page:
    """Return the page of a sheet, read back."""
    return Page(html_sheet(told, TEXTS))


@pytest.mark.parametrize("name", NAMES)
def test_the_page_is_well_formed_and_whole(name: str) -> None:
    """Every tag is closed where it must be; language, letters and title are told."""
    told = html_sheet(golden_sheet(name), TEXTS)
    found = Page(told)
    assert told.startswith("<!doctype html>\n<html")
    assert found.all("html") == [{"lang": "en"}]
    assert {"charset": "utf-8"} in found.all("meta")
    assert found.words("title") == TEXTS.title


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_fetched_and_nothing_runs(name: str) -> None:
    """No script, no link, no picture, no address in style or text."""
    told = html_sheet(golden_sheet(name), TEXTS)
    found = Page(told)
    assert {tag for tag, _, _ in found.elements} & {
        "script",
        "link",
        "img",
        "iframe",
        "a",
        "object",
        "base",
    } == set()
    assert {key for _, attributes, _ in found.elements for key in attributes} <= {
        "lang", "charset", "name", "content", "class", "scope", "colspan", "rowspan",
    }  # fmt: skip
    assert not re.search(r"url\(|@import|https?:|javascript:", told)


@pytest.mark.parametrize("name", NAMES)
def test_every_set_has_one_row_and_two_places_to_write(name: str) -> None:
    """Its number heads the row."""
    told = golden_sheet(name)
    found = page(told)
    to_do = [group for group in groups(told) if group.to_do is not None]
    numbers = [attributes for attributes in found.all("th") if attributes.get("scope") == "row"]
    assert len(numbers) == sum(len(group.sets) for group in to_do)
    assert sum(attributes.get("class") == "blank" for attributes in found.all("td")) == 2 * len(numbers)
    left_out = sum(len(group.sets) for group in groups(told)) - len(numbers)
    assert found.words().count("left out (deload)") == left_out == (2 if name == "four-week-block" else 0)
    assert len(list(sets(told))) == len(numbers) + left_out


@pytest.mark.parametrize("name", NAMES)
def test_rows_fill_the_columns_of_their_table(name: str) -> None:
    """With cells that reach over rows counted in each."""
    found = page(golden_sheet(name))
    widths: list[int] = []
    reaching: list[tuple[int, int]] = []  # rows still to come, columns
    for tag, attributes, _ in found.elements:
        if tag == "tr":
            widths.append(sum(columns for _, columns in reaching))
            reaching = [(rows - 1, columns) for rows, columns in reaching if rows > 1]
        if tag in {"td", "th"}:
            columns, rows = int(attributes.get("colspan", 1)), int(attributes.get("rowspan", 1))
            widths[-1] += columns
            reaching += [(rows - 1, columns)] if rows > 1 else []
    assert set(widths) == {5}


@pytest.mark.parametrize("name", NAMES)
def test_every_header_cell_says_what_it_heads(name: str) -> None:
    """Columns, exercises and sets."""
    scopes = [attributes.get("scope") for attributes in page(golden_sheet(name)).all("th")]
    assert set(scopes) == {"col", "rowgroup", "row"}


def test_sessions_are_sections_and_each_starts_a_page() -> None:
    """The plan's own part is the last one."""
    told = html_sheet(golden_sheet("four-week-block"), TEXTS)
    found = Page(told)
    assert [attributes["class"] for attributes in found.all("section")] == ["session"] * 4 + ["plan"]
    printed = told.split("@media print")[1].split("</style>")[0]
    assert re.search(r"section \+ section \{ break-before: page; \}", printed)
    assert "size: A4" in printed
    assert found.words().count("Deload: ") == 1


def test_only_black_and_white_are_used() -> None:
    """What is told by colour alone is lost on paper."""
    style = html_sheet(golden_sheet("leg-day"), TEXTS).split("<style>")[1].split("</style>")[0]
    assert set(re.findall(r"#[0-9a-fA-F]+|rgb\([^)]*\)", style)) == {"#000", "#fff"}


def test_a_hostile_name_is_only_text() -> None:
    """As a name, in the costs and in a warning."""
    name = """</style></td><script>alert("1")</script><img src=x onerror='alert(2)'> &amp; <b>"""
    plan = plan_of(
        [exercise("barbell_bench_press", 1), exercise("machine_chest_press", 2, reps_in_reserve=0)]
    )
    policy = renamed(name, of="machine_chest_press")
    told = html_sheet(sheet_of(plan, answered(plan), printing(policy)), TEXTS)
    found = Page(told)
    assert {"script", "img"} & {tag for tag, _, _ in found.elements} == set()
    assert "<script" not in told
    headings = [text for text, path in found.texts if path[-1:] == ("th",)]
    assert f"2. {name}" in headings
    assert f"{name} (" in found.words()


def test_what_a_lifter_does_at_the_bar_stands_in_the_page() -> None:
    """The same as in the text."""
    told = sheet(plan_of([exercise("leg_press", 4)]), leg_press=100)
    said = page(told).words("table")
    for part in (
        "1. Leg press (machine)",
        "3 sets of 10 reps",
        "70 kg (70 % of 1RM), rest 2 min",
        "Leave 1.5 reps (1 to 2)",
        "RPE 8.5 (8 to 9)",
        "when you could do only about 1.5 more with good form. You feel: one more good rep is sure",
        "Bar speed 20-35 % down.",
        "Likely light: for that reserve take 80 kg (79.5 % of 1RM) or do 16 reps.",
    ):
        assert part in said, said


def test_cautions_come_first_and_the_worst_is_named_so() -> None:
    """Before the table, in the order of the sheet."""
    plan = plan_of([exercise("leg_press", 1)])
    told = sheet(plan, withheld(plan))
    said = page(told).words("section")
    places = [said.index(alert.text) for alert in told.sessions[0].alerts]
    assert places == sorted(places)
    assert places[-1] < said.index("1. Leg press")
    assert f"Critical: {told.sessions[0].alerts[0].text}" in said


def test_no_number_is_told_of_what_is_withheld() -> None:
    """Nor is there a place to write one."""
    plan = plan_of([exercise("leg_press", 3)])
    found = page(sheet(plan, withheld(plan), leg_press=200))
    said = found.words("table")
    assert said.endswith("1. Leg press (machine) All 3 sets: withheld: no target is given, do not train")
    assert "blank" not in {attributes.get("class") for attributes in found.all("td")}


def test_the_plans_part_tells_warnings_costs_and_versions() -> None:
    """Whole, in the order of the sheet."""
    told = golden_sheet("pressing-day")
    said = page(told).words("section").split(TEXTS.whole_plan)[1]
    parts = [f"{note.severity}: {note.text} {note.mend} ({note.where})" for note in told.notes]
    parts += [*told.costs, *told.assumed, told.versions]
    places = [said.index(part) for part in parts]
    assert all(before < after for before, after in pairwise(places))
