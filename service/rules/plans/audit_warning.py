"""What an audit finds, and the sets it looks at."""

from collections.abc import Hashable, Iterable, Sequence
from typing import Annotated, Literal, TypeVar

from msgspec import Meta, Struct

from service.rules.answer import Severity
from service.rules.plans.numbers import Rule, Words
from service.rules.plans.placed import Placed

Code = Literal[
    "consecutive_days",
    "new_exercise_close_to_failure",
    "early_failure_before_overlap",
    "failure_share_high",
    "under_bar_to_failure",
    "light_set_far_from_failure",
    "all_sets_far_from_failure",
    "short_rest",
    "weekly_volume",
]
Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")
Counted = tuple[Placed, float]  # a set and its planned reserve [repetitions]


class PlanWarning(Struct, frozen=True, kw_only=True):
    """Something in the plan an experienced coach would not leave as it is."""

    code: Code
    severity: Annotated[Severity, Meta(description="`critical`: do not train like this.")]
    pointers: Annotated[
        tuple[str, ...], Meta(description="JSON Pointers into the plan, in its order: sets or sessions.")
    ]
    text: Annotated[str, Meta(max_length=140)]
    mend: Annotated[str, Meta(max_length=140, description="What to change, and to what value.")]
    evidence: Annotated[tuple[str, ...], Meta(description="Keys of the evidence register.")]


def counted(sets: Iterable[Placed]) -> list[Counted]:
    """Return the sets that are trained, with their reserve: neither cut nor without one."""
    return [
        (placed, placed.reserve_reps) for placed in sets if not placed.cut and placed.reserve_reps is not None
    ]


def grouped(keyed: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Return the values by key, keys and values in the order they come."""
    groups: dict[Key, list[Value]] = {}
    for key, value in keyed:
        groups.setdefault(key, []).append(value)
    return groups


def warning(
    code: Code,
    rule: Rule,
    pointers: Iterable[str],
    values: dict[str, object],
    *,
    text: str = "",
    mend: str = "",
) -> PlanWarning:
    """Return the warning of `rule` with `values` filled in; `text` and `mend` take the place of the rule's own."""
    return PlanWarning(
        code=code,
        severity=rule.severity,
        pointers=tuple(pointers),
        text=(text or rule.text).format(**values),
        mend=(mend or rule.mend).format(**values),
        evidence=rule.source.evidence,
    )


def named(muscles: Sequence[str], most_named: int, words: Words) -> str:
    """Return the muscles in words, the first `most_named` by name."""
    told = ", ".join(map(words.muscle, muscles[:most_named]))
    more = len(muscles) - most_named
    return words.and_more.format(words=told, more=more) if more > 0 else told
