"""Everything told of the numbers, in sections: a policy's factors and limits, and the numbers of plans and learning."""

from collections.abc import Iterator
from typing import NamedTuple
from xml.etree.ElementTree import Element

from msgspec import Struct
from msgspec.structs import fields

from service.reference.bounds import (
    caution_parts,
    default_parts,
    discount_parts,
    floor_parts,
    limit_citations,
    rounding_parts,
    window_parts,
)
from service.reference.curves import accustoming_parts, capacity_parts, cue_parts
from service.reference.factor import factor_parts
from service.reference.markup import element, listed, path, prose, template, words
from service.reference.sources import Citation, citations, numbers, source
from service.rules.plans.basis import PlanBasis
from service.rules.policy import PolicyData, Sourced


class Section(NamedTuple):
    """One thing told: its address and title, its content, and what stands behind it."""

    address: str
    title: str
    parts: tuple[Element, ...]
    cited: tuple[Citation, ...]

    @property
    def name(self) -> str:
        """Last part of the address, which may be a place in a page; unique within its page."""
        return self.address.rpartition("/")[2].rpartition("#")[2]


BOUNDS = ("rep_band_window", "discount_limit", "safety_floor", "rounding")


def ledger_names(data: PolicyData) -> tuple[str, ...]:
    """Return the `factor` of every entry that reasons may have."""
    return (*(factor.name for factor in data.factors), *BOUNDS)


def section_names(data: PolicyData) -> frozenset[str]:
    """Return the names of all sections of a policy."""
    return frozenset((*ledger_names(data), "cautions", "capacity", "accustoming", "stop_cues", "assumptions"))


def policy_sections(data: PolicyData) -> tuple[Section, ...]:
    """Return the sections of a policy: factors in the order of the ledger, what bounds them, what else is read."""
    return (*_factors(data), *_bounds(data), *_others(data))


def _factors(data: PolicyData) -> Iterator[Section]:
    limit = path("policies", data.version, "discount_limit")
    for factor in data.factors:
        address = path("policies", data.version, factor.name)
        yield Section(address, factor.title, tuple(factor_parts(factor, limit)), tuple(citations((factor,))))


def _bounds(data: PolicyData) -> Iterator[Section]:
    limits = data.limits
    told = (
        ("rep_band_window", "Window of the rep band", window_parts(limits), citations(limits.windows)),
        ("discount_limit", "Limit on discounts", discount_parts(limits), limit_citations("discount", limits)),
        ("safety_floor", "Safety floors", floor_parts(limits), citations(limits.floors)),
        ("rounding", "Rounding and range", rounding_parts(limits), limit_citations("rounding", limits)),
        ("cautions", "Cautions", caution_parts(data), limit_citations("withheld", limits)),
    )
    for name, title, parts, cited in told:
        yield Section(path("policies", data.version, name), title, tuple(parts), tuple(cited))


def _others(data: PolicyData) -> Iterator[Section]:
    told = (
        ("capacity", "Repetitions a load allows", capacity_parts(data.capacity), data.capacity),
        (
            "accustoming",
            "Earlier sessions and absence",
            accustoming_parts(data.accustoming),
            data.accustoming,
        ),
        ("stop_cues", "When to stop", cue_parts(data.cues), data.cues),
        ("assumptions", "What stands in for what is left out", default_parts(data), data.defaults),
    )
    for name, title, parts, shown in told:
        address = path("policies", data.version, name)
        yield Section(address, title, tuple(parts), tuple(citations((shown,))))


TITLES = {
    "exposure": "What counts as an exposure",
    "strength": "1RM and a lifter's own curve",
    "reporting": "How far reported reserve is off",
    "fatigue": "Failure, stalls and safety stops",
    "dose": "What a set deposits",
    "fast": "Fatigue that passes within minutes",
    "slow": "Fatigue that outlasts the session",
    "rest": "Rest where none was sent",
    "failure": "What counts as failure in a plan",
    "limit": "Sets moved away to keep a limit",
}
NUMBERS = {
    "learning": "What performed sets teach",
    "carryover": "What a set costs later ones",
    "plans": "Plans and their audit",
}


def numbers_sections(basis: PlanBasis, name: str) -> tuple[Section, ...]:
    """Return the sections of one set of numbers besides the policies; `name` is one of NUMBERS."""
    return tuple(_parts_of(path("numbers", name), getattr(basis, name)))


def _parts_of(page: str, shown: Struct) -> Iterator[Section]:
    own = {each.name: getattr(shown, each.name) for each in fields(shown)}
    for name, value in own.items():
        if isinstance(value, Struct) and not isinstance(value, Sourced) and hasattr(value, "source"):
            title = _title(name)
            yield Section(f"{page}#{name}", title, tuple(_told(title, value)), tuple(citations((value,))))
        elif isinstance(value, Struct) and not isinstance(value, Sourced):
            yield from _parts_of(page, value)
        elif isinstance(value, Sourced):
            told = name.removesuffix("_source")
            title = _title(told)
            lines = listed(
                f"{words(each)}: {own[each]}" for each in own if each.startswith(told) and each != name
            )
            yield Section(f"{page}#{told}", title, (lines, source(value)), tuple(citations((value,))))


def _title(name: str) -> str:
    return TITLES.get(name, words(name).capitalize())


def _told(title: str, value: Struct) -> Iterator[Element]:
    yield prose(" ".join((type(value).__doc__ or "").split()))
    yield numbers(f"{title}: values", value)
    texts = [
        getattr(value, each.name)
        for each in fields(value)
        if each.name.partition("_")[0] in {"text", "mend"} and isinstance(getattr(value, each.name), str)
    ]
    if texts:
        yield element("p", "Said:")
        yield listed(map(template, texts))
    found = getattr(value, "source")  # noqa: B009  # the Structs share no class that has it
    yield source(found)


def all_sections(data: PolicyData, basis: PlanBasis) -> tuple[Section, ...]:
    """Return every section of a policy and of the numbers besides."""
    more = [section for name in NUMBERS for section in numbers_sections(basis, name)]
    return (*policy_sections(data), *more)
