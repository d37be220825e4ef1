"""Pages of the policies: all versions, one version whole, one factor or limit by itself, the numbers besides."""

from msgspec.structs import fields

from service.page.assets import Asset
from service.reference.frames import POLICIES, as_data, contents, facts, in_section, page, trail
from service.reference.markup import element, link, listed, number, path, prose, table, words
from service.reference.sections import NUMBERS, ledger_names, numbers_sections, policy_sections
from service.rules.plans.basis import PlanBasis
from service.rules.policy import PolicyData

PROMISE = (
    "A policy is all numbers of one date. A released one never changes and never goes away: `policy` in a request pins "
    "it. Most sizes are expert judgement around published directions; each says which."
)


def policies_page(versions: tuple[PolicyData, ...]) -> Asset:
    """Return the list of versions (oldest first), and of the numbers besides."""
    rows = (
        (
            link(path("policies", data.version), data.version),
            str(len(data.factors)),
            element("code", data.digest),
        )
        for data in reversed(versions)
    )
    return page(
        "Policies",
        prose(PROMISE),
        table("Versions, newest first", ("Version, valid from", "Factors", "Digest of all its bytes"), rows),
        element("h2", "Numbers besides the policies"),
        listed(link(path("numbers", name), told) for name, told in NUMBERS.items()),
        as_data("/v1/policies"),
    )


def policy_page(data: PolicyData) -> Asset:
    """Return every factor, limit, curve and text of one version."""
    sections = policy_sections(data)
    return page(
        f"Policy {data.version}",
        trail(POLICIES),
        facts(("Valid from", data.valid_from), ("Digest", element("code", data.digest))),
        as_data(path("v1", "policies", data.version)),
        contents(sections),
        *map(in_section, sections),
    )


def section_page(data: PolicyData, name: str) -> Asset:
    """Return the page of one factor or limit of a version; `name` is one of its section names."""
    section = next(each for each in policy_sections(data) if each.name == name)
    above = (path("policies", data.version), data.version)
    in_answers = element("code", name) if name in ledger_names(data) else None
    return page(section.title, trail(POLICIES, above), facts(("Name in reasons", in_answers)), *section.parts)


def numbers_page(basis: PlanBasis, name: str) -> Asset:
    """Return the numbers of learning, carry-over or plans; `name` is one of NUMBERS."""
    shown = getattr(basis, name)
    sections = numbers_sections(basis, name)
    plain = (
        (words(each.name), number(value))
        for each in fields(shown)
        if isinstance(value := getattr(shown, each.name), int | float)
    )
    return page(
        NUMBERS[name],
        trail(POLICIES),
        facts(("Version", shown.version), *plain),
        contents(sections),
        *map(in_section, sections),
    )
