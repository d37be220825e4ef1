"""One factor of a policy: what it reads, its effect drawn, what is said, where it comes from."""

from collections.abc import Iterator, Sequence
from xml.etree.ElementTree import Element

from service.reference.levels import described
from service.reference.markup import element, link, number, scrolling, signed, table, template, words
from service.reference.plots import Axis, bar, line_plot
from service.reference.sources import grade_word, keys, source
from service.rules.curves import Curve, Grid, Level, Table, TextBand
from service.rules.policy import Factor

# Beyond its ends a curve is held; so much of its width shows it.
MARGIN = 0.12
SHADES = 5
STAGES = {
    "sum": "It is added before the window of the rep band.",
    "after_window": "It is added after the window of the rep band, which cannot take it back.",
}
MONOTONE = {
    "rising": " never brings the set closer to failure.",
    "falling": " never takes the set further from failure.",
}


def factor_parts(factor: Factor, limit: str) -> Iterator[Element]:
    """Yield what is to be told of a factor; `limit` is the address of the limit on discounts."""
    yield element("p", *_what_it_does(factor, limit))
    yield from _drawn(factor)
    yield source(factor.source)


def _what_it_does(factor: Factor, limit: str) -> Iterator[Element | str]:
    yield "Reads "
    for place, name in enumerate(factor.inputs):
        yield " and " if place else ""
        yield element("code", name)
    yield f" and gives an effect in {factor.unit}: above 0 is further from failure. {STAGES[factor.stage]}"
    if factor.stay_away:
        yield " Its effect above 0 is a reason to stay away, which "
        yield link(limit, "discounts may not cancel")
        yield "."
    if factor.discount:
        yield " Its effect below 0 is a discount, which "
        yield link(limit, "reasons to stay away hold in check")
        yield "."
    for name, direction in factor.monotone.items():
        yield " A higher "
        yield element("code", name)
        yield MONOTONE[direction]


def _drawn(factor: Factor) -> Iterator[Element]:
    shape = factor.shape
    if isinstance(shape, Table):
        yield _levels(factor, shape)
        return
    if isinstance(shape, Curve):
        yield from _curve(factor, shape)
    else:
        yield _grid(factor, shape)
        yield element(
            "p",
            "Straight lines between these values, held flat outside. "
            f"Where {words(factor.inputs[1])} is not known, {number(shape.missing_column)} is read.",
        )
    yield _texts(factor, shape.texts)


def _levels(factor: Factor, shape: Table) -> Element:
    rows = described(shape, factor.inputs)
    effects = [level.effect_reps for _, level in rows]
    low, high = min(0.0, *effects), max(0.0, *effects)
    return table(
        f"{factor.title}: effect in {factor.unit}",
        ("When", "Effect", "Drawn", "Said to the lifter", "Support"),
        (
            (
                when,
                element("b", signed(level.effect_reps)),
                bar(0.0, level.effect_reps, low, high),
                template(level.text) if level.text else "nothing",
                _support(factor, level),
            )
            for when, level in rows
        ),
        kind="levels",
    )


def _support(factor: Factor, level: Level) -> Element | str:
    if level.grade is None and level.evidence is None:
        return "as below"
    own = grade_word(level.grade or factor.source.grade)
    evidence = factor.source.evidence if level.evidence is None else level.evidence
    return element("span", own, ". Sources: ", keys(evidence))


def _curve(factor: Factor, shape: Curve) -> Iterator[Element]:
    name = words(factor.inputs[0])
    points = list(zip(shape.xs, shape.ys, strict=True))
    yield line_plot(
        points,
        x=spanned(name, shape.xs),
        y=f"effect [{factor.unit}]",
        told=f"{factor.title}: effect over {name}; the table below has the points",
    )
    yield table(
        f"{factor.title}: straight lines between these points, held flat outside",
        (name, f"effect [{factor.unit}]"),
        ((number(x), signed(y)) for x, y in points),
    )


def spanned(label: str, values: Sequence[float]) -> Axis:
    """Return an axis a little longer than these ascending values; what cannot be below 0 is not shown there."""
    low, high = values[0], values[-1]
    margin = (high - low) * MARGIN
    return Axis(label, low - margin if low < 0 else max(0.0, low - margin), high + margin)


def _grid(factor: Factor, shape: Grid) -> Element:
    """Return the grid as a table whose cells are shaded by their effect."""
    down, across = map(words, factor.inputs)
    every = [value for line in shape.values for value in line]
    low, high = min(every), max(every)
    made = element(
        "table",
        element("caption", f"{factor.title}: effect in {factor.unit}; darker is further from failure"),
        element(
            "thead",
            element(
                "tr",
                element("th", f"{down} \N{DOWNWARDS ARROW}, {across} \N{RIGHTWARDS ARROW}", scope="col"),
                *(element("th", number(column), scope="col") for column in shape.columns),
            ),
        ),
        element(
            "tbody",
            *(
                element(
                    "tr",
                    element("th", number(row), scope="row"),
                    *(element("td", signed(value), kind=_shade(value, low, high)) for value in line),
                )
                for row, line in zip(shape.rows, shape.values, strict=True)
            ),
        ),
        kind="heat",
    )
    return scrolling(made, f"{factor.title}: table of effects")


def _shade(value: float, low: float, high: float) -> str:
    share = (value - low) / (high - low) if high > low else 0.0
    return f"shade-{round(share * SHADES)}"


def _texts(factor: Factor, texts: tuple[TextBand, ...]) -> Element:
    return table(
        f"{factor.title}: what is said to the lifter",
        (f"From an effect of [{factor.unit}]", "Said"),
        ((signed(band.from_effect), template(band.text)) for band in texts),
    )
