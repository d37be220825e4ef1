"""What is worth trying: per field the values that may move the target, and what each does to the sums."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from typing import Literal, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from service.rules.answer import InputValue
from service.rules.changes import EXPERIENCE_ASCENDING, FIELDS_OFF_BAR, FLAGS, GOALS, ladders, order_ladder
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.inputs import Facts, effective_exposures, unspotted_under_bar
from service.rules.written.keys import OF_LIFT, Memo, key_of

HELP = ("spotter", "safety_arms")
_AT = FIELDS_OFF_BAR.index
BEFORE_GOAL = FIELDS_OFF_BAR[: _AT("goal")]
BEFORE_REPS = FIELDS_OFF_BAR[_AT("goal") + 1 : _AT("rep_target")]


# The sum of effects, its part that stays away, and discounts [repetitions].
Sums = tuple[float, float, float]
NO_SUMS: Sums = (0.0, 0.0, 0.0)


class Trial(NamedTuple):
    """One value of a field, by how much it moves the sums, and what it changes about the bounds, if anything."""

    value: InputValue
    by: Sums
    bounds: tuple[str, InputValue] | None


class Probe(NamedTuple):
    """A field and its values worth trying, nearest first."""

    field: str
    trials: tuple[Trial, ...]


class Probes(Struct, frozen=True, eq=False, gc=False):
    """The probes of fields that are looked up together; one object for equal ones, so that it is its own key.

    `stay_away` is what their factors hold away now. `keeps` says what every trial keeps, see `Moves.known`:
    "sums" when it changes bounds only, "rest" or "stay" when only the sum, or the sum and its part that stays away,
    move, and the bounds at most between new and accustomed.
    """

    probes: tuple[Probe, ...]
    stay_away: float
    keeps: Literal["sums", "rest", "stay"] | None


class Lookup(NamedTuple):
    """Fields whose probes are known under the same key; they follow one another in the answer.

    `places` are the factors asked, None for all that read a field.
    """

    fields: tuple[str, ...]
    places: tuple[int, ...] | None
    sent: Callable[[SetContext], object]
    of_kind: bool
    known: Memo[Probes]


def _read_with(field: str, places: tuple[int, ...], policy: Policy) -> tuple[str, ...]:
    """Members of Facts that decide what a change of `field` does to what these factors contribute."""
    read = {field, *(name for place in places for name in policy.summed[place].fields)}
    if field == "exposures":
        read.add("days_since_last_exposure")
    if field == "exercise_order":
        read.add("exercises_in_session")
    if field in HELP:
        read |= {*HELP, "under_bar"}
    return tuple(sorted(read))


def lookups(policy: Policy, fields: Sequence[str]) -> tuple[Lookup, ...]:
    """Return empty lookups for `fields`, in their order."""
    parts = groupby(fields, key=lambda field: _read_with(field, policy.readers[field], policy))
    return tuple(Lookup(tuple(together), None, *key_of(read), {}) for read, together in parts)


def lookups_of_goal(policy: Policy) -> tuple[Lookup, ...]:
    """Return empty lookups for the goal: those of its readers that know the exercise, and the others.

    Under one key they would be too many.
    """
    of_lift = [
        any(name in OF_LIFT for name in policy.summed[place].fields) for place in policy.readers["goal"]
    ]
    split = [
        tuple(place for place, found in zip(policy.readers["goal"], of_lift, strict=True) if found is wanted)
        for wanted in (False, True)
    ]
    return tuple(
        Lookup(("goal",), places, *key_of(_read_with("goal", places, policy)), {}) for places in split
    )


def _candidates(field: str, facts: Facts, policy: Policy) -> Sequence[InputValue]:
    """Return the values of `field` worth trying; nearest first where they are no numbers."""
    now = getattr(facts, field)
    if field == "experience":
        at = EXPERIENCE_ASCENDING.index(now)
        others = sorted(range(len(EXPERIENCE_ASCENDING)), key=lambda n: abs(n - at))
        return [EXPERIENCE_ASCENDING[n] for n in others if n != at]
    if field == "goal":
        return [goal for goal in GOALS if goal != now]
    if field in FLAGS:
        return [not now]
    return order_ladder(facts) if field == "exercise_order" else ladders(policy)[field]


def _bounds_changed(field: str, facts: Facts, policy: Policy) -> tuple[str, InputValue] | None:
    """Return what `facts`, which differ in `field`, change about the bounds."""
    if field not in policy.frame_fields:
        return None
    if field == "exposures":
        return "is_new", not effective_exposures(facts, policy.data.accustoming)
    return ("unspotted", unspotted_under_bar(facts)) if field in HELP else (field, getattr(facts, field))


def _added(parts: Iterable[Sums]) -> Sums:
    total = stay_away = discounts = 0.0
    for part in parts:
        total += part[0]
        stay_away += part[1]
        discounts += part[2]
    return total, stay_away, discounts


def _sums(places: tuple[int, ...], facts: Facts, policy: Policy) -> Sums:
    return _added(policy.summed[place].effect(facts) for place in places)


def _tried(field: str, places: tuple[int, ...], facts: Facts, policy: Policy) -> Iterator[Trial]:
    now = _sums(places, facts, policy)
    for value in _candidates(field, facts, policy):
        there = replace(facts, **{field: value})
        new = _sums(places, there, policy)
        by = (new[0] - now[0], new[1] - now[1], new[2] - now[2])
        yield Trial(value, by, _bounds_changed(field, there, policy))


def _distance(value: InputValue, now: float) -> tuple[float, float]:
    if not isinstance(value, int | float):
        raise TypeError(f"{value!r} has no distance")
    return abs(value - now), value


def _new_probe(field: str, places: tuple[int, ...], facts: Facts, policy: Policy) -> Probe:
    """Return what there is to try of `field`; of values that do the same, the nearest is enough."""
    trials = list(_tried(field, places, facts, policy))
    now = getattr(facts, field)
    if isinstance(now, int | float) and field not in FLAGS:
        trials.sort(key=lambda trial: _distance(trial.value, now))
    firsts: dict[object, Trial] = {}
    for trial in trials:
        if trial.bounds is not None or trial.by != NO_SUMS:
            firsts.setdefault((trial.by, trial.bounds), trial)
    return Probe(field, tuple(firsts.values()))


def _keeps(probes: tuple[Probe, ...]) -> Literal["sums", "rest", "stay"] | None:
    trials = [trial for probe in probes for trial in probe.trials]
    if all(trial.by == NO_SUMS for trial in trials):
        return "sums"
    if any(trial.by[2] or (trial.bounds and trial.bounds[0] != "is_new") for trial in trials):
        return None
    if not any(trial.by[1] for trial in trials):
        return "rest"
    return "stay" if all(trial.by[0] == trial.by[1] for trial in trials) else None


def new_probes(lookup: Lookup, facts: Facts, policy: Policy) -> Probes:
    """Return what there is to try of the fields of a lookup."""
    places = [lookup.places or policy.readers[field] for field in lookup.fields]
    fields = zip(lookup.fields, places, strict=True)
    probes = tuple(_new_probe(field, asked, facts, policy) for field, asked in fields)
    return Probes(probes, max(_sums(asked, facts, policy)[1] for asked in places), _keeps(probes))


def added(parts: tuple[Probes, ...]) -> Probes:
    """Return the probes of the goal from those of its parts, which try the same values."""
    trials = [
        Trial(same[0].value, _added(trial.by for trial in same), same[0].bounds)
        for same in zip(*(part.probes[0].trials for part in parts), strict=True)
    ]
    return Probes((Probe("goal", tuple(trials)),), 0.0, None)
