"""What pieces are remembered under: members of a context as they were sent, and the lift they are about."""

from collections.abc import Callable, Iterable
from operator import attrgetter
from typing import Any, NamedTuple, TypeVar

from msgspec import Struct

from service.rules.compiled import Policy
from service.rules.context import Equipment, Joints, SetContext
from service.rules.inputs import lift_of

MEMO_ENTRIES = 2048
# Members of Facts that come from the exercise or its traits.
OF_LIFT = frozenset({"exercise", "joints", "equipment", "under_bar", "family"})

K = TypeVar("K")
V = TypeVar("V")
Memo = dict[Any, V]


class Lift(Struct, frozen=True, eq=False, gc=False):
    """What the rules know of an exercise. One object for equal ones, so that it is its own key.

    `kind` is all of it that decides about effects; the exercise itself is only told.
    """

    exercise: str | None
    kind: tuple[Joints, Equipment | None, bool]
    joints: Joints
    equipment: Equipment | None
    under_bar: bool
    family: str


class Key(NamedTuple):
    """How a key is read from a context: `sent` gives its members; it needs the lift besides where `with_lift`."""

    sent: Callable[[SetContext], object]
    with_lift: bool


def key_of(fields: Iterable[str]) -> Key:
    """Return the key of what is computed from these members of Facts.

    Facts are a function of what was sent, and of equal numbers it makes equal ones: 8 and 8.0, 0.0 and -0.0.
    """
    names = tuple(dict.fromkeys(fields))
    sent = [name for name in names if name not in OF_LIFT]
    return Key(attrgetter(*sent) if sent else bool, len(sent) < len(names))


def remember(known: dict[K, V], key: K, value: V, most: int = MEMO_ENTRIES) -> V:
    """Keep `value` in a memo of at most `most` entries and return it."""
    if len(known) >= most:
        known.clear()
    known[key] = value
    return value


def lift_from(context: SetContext, policy: Policy, lifts: Memo[Lift]) -> Lift:
    """Return the lift of a valid context."""
    traits = context.exercise_traits
    key: object = context.exercise
    if traits is not None:
        key = (traits.joints, traits.equipment, bool(traits.under_bar))
    found = lifts.get(key)
    if found is None:
        joints, equipment, under_bar, family = lift_of(context, policy.data)
        kind = (joints, equipment, under_bar)
        found = remember(lifts, key, Lift(context.exercise, kind, joints, equipment, under_bar, family))
    return found
