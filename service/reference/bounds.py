"""What holds the sum of effects in bounds: windows, the limit on discounts, floors, rounding, warning signs."""

from collections.abc import Iterator
from xml.etree.ElementTree import Element

from service.reference.markup import element, number, table, template
from service.reference.plots import bar
from service.reference.sources import Citation, citations, source, support
from service.rules.policy import Floor, Limits, PolicyData, Sourced, Window


def window_parts(limits: Limits) -> Iterator[Element]:
    """Yield the windows of the rep bands."""
    yield element(
        "p",
        "Within its band of planned repetitions a target stays in a window, in repetitions in reserve, for "
        "hypertrophy and before the goal acts. The dashes show how far a new exercise may lift its top.",
    )
    top = max(window.high_when_new for window in limits.windows)
    yield table(
        "Windows in repetitions in reserve",
        (
            "Planned repetitions",
            "Lowest",
            "Highest",
            "Highest when new",
            "Drawn",
            "Said to the lifter",
            "Support",
        ),
        (_window(window, top) for window in limits.windows),
        kind="levels",
    )


def _window(window: Window, top: float) -> tuple[Element | str, ...]:
    return (
        f"{window.from_reps}-{window.to_reps}",
        number(window.low),
        number(window.high),
        number(window.high_when_new),
        bar(window.low, window.high, 0.0, top, more=window.high_when_new),
        element(
            "span",
            template(window.text_low.format(low=window.low)),
            " ",
            template(window.text_high.format(high=window.high)),
        ),
        support(window.source),
    )


def floor_parts(limits: Limits) -> Iterator[Element]:
    """Yield the safety floors."""
    yield element(
        "p",
        "The least reserve where a caution, a goal or a bar that could pin the lifter calls for it. The highest that "
        "applies wins, and nothing undercuts it.",
    )
    top = max(floor.reps for floor in limits.floors)
    yield table(
        "Floors in repetitions in reserve",
        ("When", "At least", "Drawn", "Said to the lifter", "Support"),
        (_floor(floor, top) for floor in limits.floors),
        kind="levels",
    )


def _floor(floor: Floor, top: float) -> tuple[Element | str, ...]:
    short = "" if floor.up_to_reps is None else f", sets of up to {floor.up_to_reps} repetitions"
    return (
        element("span", element("code", floor.code), short),
        element("b", number(floor.reps)),
        bar(0.0, floor.reps, 0.0, top),
        template(floor.text.format(reps=floor.reps)),
        support(floor.source),
    )


def discount_parts(limits: Limits) -> Iterator[Element]:
    """Yield the limit on discounts."""
    yield element(
        "p",
        f"Discounts take at most {number(limits.discount_slack_reps)} repetitions off what the reasons to stay away "
        "alone would give.",
    )
    yield element("p", "Said to the lifter: ", template(limits.discount_text))
    yield source(limits.discount_source)


def rounding_parts(limits: Limits) -> Iterator[Element]:
    """Yield how a target is rounded, and how wide the range around it is."""
    yield element(
        "p",
        f"Targets are multiples of {number(limits.rounding_step_reps)} repetitions; the range reaches "
        f"{number(limits.range_half_width_reps)} to each side at most. A load counts as too light for its repetitions "
        f"when more than {number(limits.too_light_margin_reps)} would be left beyond the top of the range.",
    )
    yield element("p", "Said to the lifter: ", template(limits.rounding_text))
    yield source(limits.rounding_source)


def caution_parts(data: PolicyData) -> Iterator[Element]:
    """Yield what is said for each caution, and what withholds a target."""
    yield table(
        "Cautions, shown with every answer they hold for",
        ("Code", "Severity", "Said", "Target"),
        (
            (
                element("code", caution.code),
                caution.severity,
                template(caution.text),
                "withheld" if caution.withholds else "given",
            )
            for caution in data.cautions
        ),
    )
    yield element("p", "Where a target is withheld: ", template(data.limits.withheld_text))
    yield source(data.limits.withheld_source)


def limit_citations(name: str, limits: Limits) -> tuple[Citation, ...]:
    """Return what stands behind one of the limits that are told in the limits' own members."""
    sourced: Sourced = getattr(limits, f"{name}_source")
    return tuple(Citation(found.keys, (getattr(limits, f"{name}_text"),)) for found in citations(sourced))


def default_parts(data: PolicyData) -> Iterator[Element]:
    """Yield what stands in for members that were left out."""
    yield table(
        "What is read where a member is left out, and how it is told",
        ("Member", "Said"),
        ((element("code", name), template(text)) for name, text in data.defaults.texts.items()),
    )
    yield source(data.defaults.source)
