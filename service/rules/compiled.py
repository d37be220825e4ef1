"""A policy made ready to use: factors, windows, floors and texts as functions with bounded memos."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from operator import attrgetter

from msgspec import Struct

from service.rules import limits as rules_of
from service.rules.answer import PolicyRef, Reason, ReserveRange
from service.rules.curves import Curve, Table
from service.rules.factors import Compiled, compiled
from service.rules.inputs import Facts, effective_exposures, unspotted_under_bar
from service.rules.policy import Factor, PolicyData, Window

MEMO_ENTRIES = 4096
BASE = "base"


class Frame(Struct, frozen=True, gc=False):
    """What bounds a context's sum [repetitions]: window, shifts after it, safety floor."""

    low: float
    top: float
    is_new: bool
    shifts: tuple[float, ...]
    least: float
    careful: bool


class Settled(Struct, frozen=True, gc=False):
    """Every value [repetitions] between the limited sum and the range, in order."""

    windowed: float
    shifts: tuple[float, ...]
    safe: float
    target: float
    reserve: ReserveRange


@dataclass(frozen=True, eq=False, slots=True)
class Policy:
    """One policy version, compiled. `data` holds the numbers as they were read.

    `summed` are the factors before the window, the base first; `readers` maps a member of Facts to the
    places in `summed` of the factors that read it. `settle` takes the frame and the sum after the
    discount limit [repetitions].
    """

    data: PolicyData
    ref: PolicyRef
    summed: tuple[Compiled, ...]
    readers: dict[str, tuple[int, ...]]
    after_window: tuple[Compiled, ...]
    highest_target: float
    frame: Callable[[Facts], Frame]
    frame_fields: frozenset[str]
    settle: Callable[[Frame, float], Settled]
    discount_reason: Callable[[float], Reason]
    window_reason: Callable[[int, float, bool], Reason]
    floor_reason: Callable[[rules_of.FloorKey, float], Reason]
    rounding_reason: Callable[[float], Reason]

    @property
    def version(self) -> str:
        """The date this version is named by."""
        return self.data.version


def floor_key(facts: Facts) -> rules_of.FloorKey:
    """What decides about safety floors."""
    return facts.cautions, facts.goal, unspotted_under_bar(facts), facts.rep_target


# Members of Facts that decide about newness and safety floors, beside those the factors after the window read.
FRAMING = (
    "rep_target",
    "exposures",
    "days_since_last_exposure",
    "cautions",
    "goal",
    "under_bar",
    "spotter",
    "safety_arms",
)


def _shift_fields(after_window: tuple[Compiled, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(field for factor in after_window for field in factor.fields))


def _framing(data: PolicyData, after_window: tuple[Compiled, ...]) -> Callable[[Facts], Frame]:
    """Return the function that gives a context's frame, with a memo keyed by what decides about it."""
    limits, accustoming = data.limits, data.accustoming
    shift_fields = _shift_fields(after_window)
    shift_key = attrgetter(*shift_fields) if shift_fields else bool
    known: dict[object, Frame] = {}

    def frame(facts: Facts) -> Frame:
        is_new = not facts.exposures or not effective_exposures(facts, accustoming)
        floors = floor_key(facts)
        key = (is_new, floors, shift_key(facts))
        found = known.get(key)
        if found is None:
            if len(known) >= MEMO_ENTRIES:
                known.clear()
            window = rules_of.window_of(limits, facts.rep_target)
            found = known[key] = Frame(
                low=window.low,
                top=rules_of.window_top(window, is_new),
                is_new=is_new,
                shifts=tuple(factor.effect(facts).effect_reps for factor in after_window),
                least=rules_of.floor_reps(limits, floors),
                careful=bool(facts.cautions),
            )
        return found

    return frame


def _settle(data: PolicyData, frame: Frame, limited: float) -> Settled:
    limits = data.limits
    windowed = value = min(max(limited, frame.low), frame.top)
    shifts, top = [], frame.top
    for wanted in frame.shifts:
        shift = max(wanted, 0.0 - value)  # nothing is closer than failure itself
        shifts.append(shift)
        value += shift
        top += max(shift, 0.0)
    safe = max(value, frame.least)
    target = rules_of.rounded(limits, safe)
    reserve = rules_of.reserve_range(limits, target=target, safety_floor=frame.least, top=top)
    return Settled(windowed, tuple(shifts), safe, target, reserve)


def _highest(window: Window) -> float:
    return max(window.high, window.high_when_new)


def _highest_target(data: PolicyData) -> float:
    """A target [repetitions] that no context exceeds: the highest window plus all that acts after it."""
    tops = [*map(_highest, data.limits.windows), *(floor.reps for floor in data.limits.floors)]
    after = [factor for factor in data.factors if factor.stage == "after_window"]
    return max(tops) + sum(max(0.0, *_effects(factor)) for factor in after)


def _effects(factor: Factor) -> list[float]:
    """Every effect [repetitions] a factor can have at its levels or points."""
    shape = factor.shape
    if isinstance(shape, Table):
        return [level.effect_reps for level in shape.levels.values()]
    if isinstance(shape, Curve):
        return list(shape.ys)
    return [value for line in shape.values for value in line]


def compile_policy(data: PolicyData) -> Policy:
    """Return `data` ready for `prescribe`. Expects data the loader found complete."""
    ordered = sorted(data.factors, key=lambda factor: (factor.name != BASE, factor.place))
    summed = tuple(compiled(f, data.accustoming) for f in ordered if f.stage == "sum")
    after_window = tuple(compiled(f, data.accustoming) for f in ordered if f.stage == "after_window")
    memo = lru_cache(maxsize=MEMO_ENTRIES)
    return Policy(
        data=data,
        ref=PolicyRef(version=data.version, digest=data.digest),
        summed=summed,
        readers={
            field: tuple(n for n, factor in enumerate(summed) if field in factor.fields)
            for field in Facts.__struct_fields__
        },
        after_window=after_window,
        highest_target=_highest_target(data),
        frame=_framing(data, after_window),
        frame_fields=frozenset((*FRAMING, *_shift_fields(after_window))),
        settle=lru_cache(maxsize=4 * MEMO_ENTRIES)(partial(_settle, data)),
        discount_reason=memo(partial(rules_of.discount_reason, data.limits)),
        window_reason=memo(partial(rules_of.window_reason, data.limits)),
        floor_reason=memo(partial(rules_of.floor_reason, data.limits)),
        rounding_reason=memo(partial(rules_of.rounding_reason, data.limits)),
    )
