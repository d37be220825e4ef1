"""A sheet as one HTML file to read on a phone or to print: nothing fetched, no script, a session a page."""

from collections.abc import Iterator
from pathlib import Path
from xml.etree.ElementTree import Element, tostring

from service.cli.sheet import Alert, SetGroup, Sheet, SheetExercise, SheetSession, SheetSet, ToDo
from service.cli.sheet_texts import SheetTexts
from service.cli.sheet_words import (
    advice,
    exertion_words,
    leave_words,
    load_to_take,
    reps_words,
    rest_words,
    sets_told,
    speed_words,
    start,
    title,
)
from service.reference.markup import Content, element

STYLE = Path(__file__).with_name("sheet.css")
INLINE = {"b", "small", "span"}  # after all else the file has a line break, for who reads its source


def html_sheet(sheet: Sheet, texts: SheetTexts) -> str:
    """Return the sheet as an HTML document. Escaping is the serialiser's: text only ever stands in nodes."""
    page = _element(
        "html",
        _element(
            "head",
            _element("meta", charset="utf-8"),
            _element("meta", name="viewport", content="width=device-width, initial-scale=1"),
            _element("title", texts.title),
            _element("style", STYLE.read_text("utf-8")),
        ),
        _element(
            "body",
            _element("h1", texts.title),
            *(_session(session, sheet, texts) for session in sheet.sessions),
            _plan(sheet, texts),
        ),
        lang=texts.language,
    )
    return "<!doctype html>\n" + tostring(page, encoding="unicode", method="html")


def _element(tag: str, *content: Content, **attributes: str) -> Element:
    """Return an element as `element` does, with a line break after all but INLINE."""
    made = element(tag, *content, **attributes)
    if tag not in INLINE:
        made.tail = "\n"
    return made


def _session(session: SheetSession, sheet: Sheet, texts: SheetTexts) -> Element:
    return _element(
        "section",
        _element(
            "header",
            _element("h2", title(session, sheet.of_sessions, texts)),
            _element(
                "p", f"{start(session.starts_at, texts)}, ", _element("small", sheet.policy), kind="start"
            ),
            _element("p", texts.deload, kind="deload") if session.deload else None,
        ),
        _element("ul", *(_alert(alert, texts) for alert in session.alerts), kind="alerts"),
        *(_element("p", told, kind="every-set") for told in session.every_set),
        _element("table", _head(texts), *(_exercise(each, texts) for each in session.exercises)),
        kind="session",
    )


def _alert(alert: Alert, texts: SheetTexts) -> Element:
    mark = (
        None
        if alert.severity == "info"
        else _element("b", f"{texts.severities[alert.severity].capitalize()}: ")
    )
    return _element("li", mark, alert.text, kind=alert.severity)


def _head(texts: SheetTexts) -> Element:
    names = (texts.column_do, texts.column_keep, texts.column_set, texts.column_reps, texts.column_left)
    return _element("thead", _element("tr", *(_element("th", name, scope="col") for name in names)))


def _exercise(exercise: SheetExercise, texts: SheetTexts) -> Element:
    name = f"{exercise.exercise_order}. {exercise.name}"
    kind = _element("span", f" ({texts.equipment[exercise.equipment]})", kind="equipment")
    head = _element("th", name, kind, scope="rowgroup", colspan="5")
    rows = (row for group in exercise.groups for row in _group(group, exercise, texts))
    return _element("tbody", _element("tr", head, kind="exercise"), *rows)


def _group(group: SetGroup, exercise: SheetExercise, texts: SheetTexts) -> Iterator[Element]:
    """Yield a row for each set, what is alike told once beside them, and a row with when to stop."""
    to_do = group.to_do
    if to_do is None:
        standing = texts.left_out if group.standing == "left_out" else texts.withheld
        told = f"{sets_told(group, exercise, texts)}: {standing}"
        yield _element("tr", _element("td", told, colspan="5"), kind=group.standing)
        return
    alike = (_dose(group, to_do, texts), _aim(group, to_do, texts))
    for place, each in enumerate(group.sets):
        yield _element("tr", *(() if place else alike), *_blanks(each), kind="set")
    feels = _element("b", f"{texts.feels}:")
    more = " ".join(filter(None, (speed_words(to_do, texts), advice(group, to_do, texts))))
    stop = (to_do.stop, " ", feels, f" {to_do.feel} {more}")
    yield _element("tr", _element("td", *stop, colspan="5"), kind="stop")


def _dose(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> Element:
    # which sets they are stands in the column beside
    sets = reps_words(group, to_do, texts)
    return _two_lines(group, sets, load_to_take(to_do.load, texts), rest_words(to_do, texts))


def _aim(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> Element:
    return _two_lines(group, leave_words(to_do.reserve, texts), exertion_words(to_do.rpe, texts))


def _two_lines(group: SetGroup, first: str, *second: str) -> Element:
    """Return a cell beside all sets of the group, its first line the one to see from afar."""
    parts = [told for told in second if told]
    ends = [", "] * (len(parts) - 1) + [""]
    more = (part for told, end in zip(parts, ends, strict=True) for part in (_whole(told), end))
    rowspan = str(len(group.sets))
    return _element("td", _element("p", first, kind="main"), _element("p", *more), rowspan=rowspan)


def _whole(told: str) -> Element:
    """Return words that no line break parts."""
    return _element("span", told, kind="whole")


def _blanks(each: SheetSet) -> tuple[Element, ...]:
    """Return the number of a set and two places to write in what was done."""
    number = _element("th", str(each.set_order), scope="row")
    return (number, _element("td", kind="blank"), _element("td", kind="blank"))


def _plan(sheet: Sheet, texts: SheetTexts) -> Element:
    notes = (
        _element(
            "li",
            _element("b", f"{texts.severities[note.severity]}: "),
            f"{note.text} {note.mend} ({note.where})",
        )
        for note in sheet.notes
    )
    parts: list[Element] = []
    if sheet.notes:
        parts += [_element("h3", texts.warnings), _element("ul", *notes)]
    if sheet.moved:
        parts.append(_element("p", sheet.moved))
    for heading, told in ((texts.costs, sheet.costs), (texts.assumed, sheet.assumed)):
        if told:
            parts += [_element("h3", heading), _element("ul", *(_element("li", each) for each in told))]
    foot = _element("p", f"{texts.foot} {sheet.versions}", kind="foot")
    return _element("section", _element("h2", texts.whole_plan), *parts, foot, kind="plan")
