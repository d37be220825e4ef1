"""What a prescription reads besides its factors: repetitions a load allows, what absence leaves, words to stop."""

from collections.abc import Iterator
from xml.etree.ElementTree import Element

from service.reference.factor import spanned
from service.reference.markup import element, number, table, template, words
from service.reference.plots import Axis, line_plot
from service.reference.sources import source, support
from service.rules.capacity import mean_reps_to_failure, sd_reps_to_failure
from service.rules.policy import Accustoming, Capacity, Cues

GENERAL = "general"
WHOLE = 100  # percent of 1RM


def capacity_parts(capacity: Capacity) -> Iterator[Element]:
    """Yield how many repetitions a load allows."""
    lowest = int(capacity.extrapolates_below_percent)
    loads = [float(load) for load in range(lowest, WHOLE + 1)]
    means = [mean_reps_to_failure(capacity, GENERAL, load) for load in loads]
    spread = [sd_reps_to_failure(capacity, GENERAL, load) for load in loads]
    yield element(
        "p",
        "Repetitions to failure at the fraction p of 1RM: ",
        element("code", f"1 + {number(capacity.scale)} (1/p - 1)^{number(capacity.exponent)}"),
        ". The line is the mean of the general curve, the band one standard deviation between people. "
        f"Below {lowest} % the curve extrapolates.",
    )
    yield line_plot(
        list(zip(loads, means, strict=True)),
        x=Axis("load [% of 1RM]", loads[0], loads[-1]),
        y="repetitions to failure",
        told="Repetitions to failure over load, mean and spread; the table below has every tenth",
        spread=spread,
        dots=False,
    )
    yield table(
        "Repetitions to failure, general curve",
        ("Load [% of 1RM]", "Mean", "Standard deviation between people"),
        (
            (number(load), f"{mean:.1f}", f"{sd:.1f}")
            for load, mean, sd in zip(loads[::10], means[::10], spread[::10], strict=True)
        ),
    )
    yield source(capacity.source)
    yield table(
        "Families of exercises: a factor on the curve's scale",
        ("Family", "Factor", "Support"),
        (
            (
                words(name),
                number(family.scale),
                support(family.source),
            )
            for name, family in capacity.families.items()
        ),
    )
    yield table(
        "Steps in which loads are given [kg]",
        ("Equipment", "Step"),
        ((words(name), number(step)) for name, step in capacity.step_kg.items()),
    )


def accustoming_parts(accustoming: Accustoming) -> Iterator[Element]:
    """Yield what absence leaves of earlier sessions."""
    yield element(
        "p",
        f"Sessions of an exercise count up to {number(accustoming.full_exposures)}, times what absence leaves of them.",
    )
    points = list(zip(accustoming.retention_days, accustoming.retention_share, strict=True))
    yield line_plot(
        points,
        x=spanned("days away", accustoming.retention_days),
        y="share that still counts",
        told="Share of earlier sessions that still counts, over days away; the table below has the points",
    )
    yield table(
        "Straight lines between these points, held flat outside",
        ("Days away", "Share that still counts"),
        ((number(days), number(share)) for days, share in points),
    )
    yield source(accustoming.source)


def cue_parts(cues: Cues) -> Iterator[Element]:
    """Yield the words on when to stop."""
    told = (
        cues.reps_text,
        cues.reps_failure_text,
        cues.reps_text_beyond_scale,
        cues.technique_text,
        cues.velocity_text,
    )
    yield element("ul", *(element("li", template(text)) for text in told), kind="plain")
    yield table(
        f"Loss of bar speed in a set, for {' and '.join(cues.velocity_equipment)}, {cues.velocity_from_reps} to "
        f"{cues.velocity_to_reps} repetitions",
        ("Targets up to [repetitions in reserve]", "From [%]", "To [%]"),
        (
            (number(band.up_to_reserve), number(band.low_percent), number(band.high_percent))
            for band in cues.velocity_bands
        ),
    )
    yield source(cues.source)
