"""The numbers of plans on disk: the newest file of `plans/`, read and checked once."""

from collections.abc import Iterator
from pathlib import Path

from msgspec import structs

from service.errors import PolicyBroken
from service.policy.files import read_file
from service.rules.compiled import Policy
from service.rules.notes import UNDER_BAR_UNSPOTTED
from service.rules.plans.audit_warning import named
from service.rules.plans.numbers import PlanNumbers, Rule, UnderBar
from service.rules.policy import Sourced

FOLDER = Path(__file__).parent / "plans"
UNSOURCED_GRADES = ("judgement", "common_practice")
MOST_TEXT = 140
# Values as wide as they come; names and the rule's own numbers are put in their place.
WIDEST: dict[str, object] = {
    "earlier": 59,
    "later": 60,
    "hours": 35,
    "from_time": "2027-01-06 18:00",
    "lowest": 0.33,
    "highest": 2.3,
    "mend_reps": 2.5,
    "shortest": 0.33,
    "limit": 0.55,
    "share": 0.555,
    "new_share": 0.555,
    "week": 5219,
    "moved": 3000,
    "sets": 3000,
    "most_sets": 2999.5,
    "least_sets": 2999.5,
    "short": 9.5,
}


def load_plan_numbers(policy: Policy, folder: Path = FOLDER) -> PlanNumbers:
    """Return the newest numbers. Raises PolicyBroken listing every fault of the file.

    Faults: an unknown key or source, a study grade without one, a text that cannot be filled in or grows too long, a
    mend below a safety floor.
    """
    path = max(folder.glob("*.toml"))
    numbers = read_file(path, PlanNumbers)
    if numbers.version != path.stem:
        raise PolicyBroken(f"{path.name}: version must be {path.stem}")
    wrong = [*_sources(numbers, policy), *text_faults(numbers, policy), *_mends(numbers, policy)]
    if wrong:
        raise PolicyBroken(f"{path.name}: " + "; ".join(wrong))
    return numbers


def _rules(numbers: PlanNumbers) -> dict[str, Rule]:
    return structs.asdict(numbers.audit)


def _sources(numbers: PlanNumbers, policy: Policy) -> Iterator[str]:
    sources: dict[str, Sourced] = {code: rule.source for code, rule in _rules(numbers).items()}
    sources |= {
        "failure": numbers.failure_source,
        "deload": numbers.deload.source,
        "limit": numbers.limit.source,
    }
    for name, source in sources.items():
        if unknown := [key for key in source.evidence if key not in policy.data.evidence]:
            yield f"{name}: no evidence entry for {', '.join(unknown)}"
        if not source.evidence and source.grade not in UNSOURCED_GRADES:
            yield f"{name}: grade {source.grade} needs evidence"


def text_faults(numbers: PlanNumbers, policy: Policy) -> Iterator[str]:
    """Yield each text that cannot be filled in, or grows too long with the longest names of `policy`."""
    exercise = max((one.name for one in policy.data.exercises.values()), key=len)
    muscles = sorted(policy.data.muscles, key=lambda name: len(numbers.words.muscle(name)), reverse=True)
    widest = numbers.words.muscle(muscles[0])
    moved = WIDEST | {"limit": 0.55, "cost_reps": 88.8, "number": 5219, "muscle": widest}
    told = {"text_session": numbers.limit.text_session, "text_share": numbers.limit.text_share}
    told |= structs.asdict(numbers.assumed)
    for name, template in told.items():
        yield from _told(name, template, moved | {"value": 86_400})
    for code, rule in _rules(numbers).items():
        own = structs.asdict(rule)
        listed = named(muscles, own.get("most_named", 1), numbers.words)
        values = WIDEST | {"raise_to_reps": numbers.limit.raise_to_reps} | own
        values |= {"exercise": exercise, "muscles": listed, "most": listed, "least": listed}
        if code == "early_failure_before_overlap":
            values["later"] = exercise
        for member, template in own.items():
            if member.startswith(("text", "mend")) and isinstance(template, str):
                yield from _told(f"{code}.{member}", template, values)


def _told(name: str, template: str, values: dict[str, object]) -> Iterator[str]:
    try:
        told = template.format(**values)
    except (KeyError, ValueError, IndexError, AttributeError, TypeError) as error:
        yield f"{name}: cannot be filled in: {error!r}"
        return
    if len(told) > MOST_TEXT:
        yield f"{name}: {len(told)} characters with the longest names, at most {MOST_TEXT}"


def _mends(numbers: PlanNumbers, policy: Policy) -> Iterator[str]:
    rule: UnderBar = numbers.audit.under_bar_to_failure
    for floor in policy.data.limits.floors:
        if floor.code == UNDER_BAR_UNSPOTTED:
            keep = rule.keep_reps if floor.up_to_reps is None else rule.keep_reps_short
            if keep < floor.reps or (floor.up_to_reps or 0) > rule.short_up_to_reps:
                yield f"under_bar_to_failure: the mend undercuts the floor of {floor.reps:g}"
    if numbers.limit.raise_to_reps < numbers.failure_below_reps:
        yield "limit: raise_to_reps still counts as failure"
