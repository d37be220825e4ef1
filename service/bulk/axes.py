"""Whatever a context says in words or places, as small codes: each axis numbers what the policy can tell apart."""

from itertools import product
from typing import Any, NamedTuple, get_args

import numpy as np
from msgspec.structs import replace

from service.bulk.sixteenths import Array
from service.rules.context import MOST_EXERCISES, Caution, Equipment, Experience, Goal, Joints, SetContext
from service.rules.inputs import INPUTS, Facts, facts_of
from service.rules.policy import PolicyData

GOALS: tuple[Goal, ...] = get_args(Goal)
EXPERIENCES: tuple[Experience, ...] = get_args(Experience)
CAUTIONS: tuple[Caution, ...] = get_args(Caution)
JOINTS: tuple[Joints, ...] = get_args(Joints)
EQUIPMENT: tuple[Equipment | None, ...] = (None, *get_args(Equipment))
DELOADS = (False, True)
PLACES = MOST_EXERCISES + 1  # 0 is a place that was not told


class Lift(NamedTuple):
    """What factors and floors can see of an exercise."""

    joints: Joints
    equipment: Equipment | None
    under_bar: bool


LIFTS = tuple(Lift(*each) for each in product(JOINTS, EQUIPMENT, (False, True)))
LIFT_CODES = {lift: code for code, lift in enumerate(LIFTS)}
SET_POSITIONS = INPUTS["set_position"].levels or ()
EXERCISE_POSITIONS = INPUTS["exercise_position"].levels or ()

# The categorical axes, their values, and which inputs of factors each decides about. The last one varies fastest.
AXES: tuple[tuple[str, tuple[Any, ...], tuple[str, ...]], ...] = (
    ("exercise_position", EXERCISE_POSITIONS, ("exercise_position",)),
    ("set_position", SET_POSITIONS, ("set_position",)),
    ("lift", LIFTS, ("joints", "equipment")),
    ("experience", EXPERIENCES, ("experience",)),
    ("deload", DELOADS, ("deload",)),
    ("goal", GOALS, ("goal",)),
)
CATEGORICAL = frozenset(name for _, _, names in AXES for name in names)


def strides() -> dict[str, int]:
    """Return how far apart neighbours on each axis lie in a table over all of them."""
    found, stride = {}, 1
    for name, values, _ in reversed(AXES):
        found[name] = stride
        stride *= len(values)
    return found


def neutral_facts(data: PolicyData) -> Facts:
    """Return the facts of a context that tells nothing but one repetition."""
    return facts_of(SetContext(rep_target=1), data)


def neutral_codes(data: PolicyData) -> dict[str, int]:
    """Return the codes of what nobody tells, on the axes that are told without places."""
    facts = neutral_facts(data)
    return {
        "lift": LIFT_CODES[Lift(facts.joints, facts.equipment, facts.under_bar)],
        "experience": EXPERIENCES.index(facts.experience),
        "deload": DELOADS.index(facts.deload),
        "goal": GOALS.index(facts.goal),
    }


class PlaceTables(NamedTuple):
    """Codes of positions by `order * PLACES + count`; `exercise` once without and once with the later sets known."""

    set_position: Array
    exercise_position: tuple[Array, Array]


def place_tables(data: PolicyData) -> PlaceTables:
    """Return the positions as the core reads them off places and counts."""
    facts, accustoming = neutral_facts(data), data.accustoming
    read_set, read_exercise = INPUTS["set_position"].read, INPUTS["exercise_position"].read
    sets = np.zeros(PLACES * PLACES, np.uint8)
    exercises = np.zeros((2, PLACES * PLACES), np.uint8)
    for order, count in product(range(PLACES), repeat=2):
        place = order * PLACES + count
        told = replace(facts, set_order=order or None, sets_in_exercise=count or None)
        sets[place] = SET_POSITIONS.index(read_set(told, accustoming))
        for known, later in enumerate((None, 0.0)):
            told = replace(
                facts,
                exercise_order=order or None,
                exercises_in_session=count or None,
                later_overlapping_sets=later,
            )
            exercises[known, place] = EXERCISE_POSITIONS.index(read_exercise(told, accustoming))
    return PlaceTables(sets, (exercises[0], exercises[1]))


def _placed(
    facts: Facts, wanted: Any, name: str, order_field: str, count_field: str, data: PolicyData
) -> Facts:
    """Return facts whose position by `name` is `wanted`."""
    for order, count in product((None, 1, 2, 3), (None, 1, 3)):
        told = replace(facts, **{order_field: order, count_field: count})
        if INPUTS[name].read(told, data.accustoming) == wanted:
            return told
    raise LookupError(f"no place is {wanted}")


def facts_at(codes: dict[str, Any], data: PolicyData) -> Facts:
    """Return facts with these values on the axes, neutral in all else."""
    facts = neutral_facts(data)
    lift: Lift | None = codes.get("lift")
    if lift is not None:
        facts = replace(facts, joints=lift.joints, equipment=lift.equipment, under_bar=lift.under_bar)
    if "set_position" in codes:
        facts = _placed(facts, codes["set_position"], "set_position", "set_order", "sets_in_exercise", data)
    if "exercise_position" in codes:
        facts = _placed(
            facts,
            codes["exercise_position"],
            "exercise_position",
            "exercise_order",
            "exercises_in_session",
            data,
        )
    plain = {name: codes[name] for name in ("experience", "deload", "goal") if name in codes}
    return replace(facts, **plain)
