"""The ledger in pieces: what is summed, what bounds the sum, and what the limits make of it."""

from collections.abc import Callable, Iterable
from operator import attrgetter
from typing import NamedTuple

import msgspec
from msgspec import Struct

from service.rules.answer import Reason, ReserveRange
from service.rules.compiled import Frame, Policy
from service.rules.context import Goal, SetContext
from service.rules.curves import Grid, Table
from service.rules.exertion import exertion_range
from service.rules.factors import Compiled
from service.rules.inputs import Facts, effective_exposures, facts_of
from service.rules.notes import caution_notes, withholding
from service.rules.weigh import tell_limits
from service.rules.written.base_line import base_factor
from service.rules.written.keys import MEMO_ENTRIES, Key, Lift, Memo, key_of, remember

MOST_SUMS = 256  # for each frame: sums are few, as effects are sixteenths
MOST_SETTINGS = 1024
encode = msgspec.json.Encoder().encode


def reasons_of(reasons: Iterable[Reason]) -> bytes:
    """Return reasons as JSON, each after a comma."""
    return b"".join([b"," + encode(reason) for reason in reasons])


# What some factors, one after the other, contribute: effect, its part that stays away, discounts [repetitions], and
# their reasons, each after a comma. A plain tuple: the garbage collector stops looking at those.
Piece = tuple[float, float, float, bytes]


class Group(NamedTuple):
    """Neighbours in the ledger that are looked up together: the parts of their key, what is known, the factors."""

    sent: Callable[[SetContext], object]
    with_lift: bool
    known: Memo[Piece]
    factors: tuple[Compiled, ...]


def _is_small(factor: Compiled, policy: Policy) -> bool:
    """Whether a factor has few keys: a table of what was not computed from numbers."""
    shape = next(found.shape for found in policy.data.factors if found.name == factor.name)
    return isinstance(shape, Table) and "later_overlapping_sets" not in factor.fields


def grouped(policy: Policy) -> list[Group]:
    """Return the summed factors after the base, in groups whose key has hardly more values than that of a part."""
    groups: list[list[Compiled]] = []
    for factor in policy.summed[1:]:
        last = groups[-1] if groups else []
        read = {name for each in last for name in each.fields}
        small = all(_is_small(each, policy) for each in (*last, factor))
        if last and (small or read >= set(factor.fields)):
            last.append(factor)
        else:
            groups.append([factor])
    keys = [key_of(name for factor in group for name in factor.fields) for group in groups]
    return [Group(*key, {}, tuple(group)) for key, group in zip(keys, groups, strict=True)]


def new_piece(factors: tuple[Compiled, ...], facts: Facts) -> Piece:
    """Return what these factors contribute for `facts`."""
    total = stay_away = discounts = 0.0
    told = []
    for factor in factors:
        reps, stays, discount = factor.effect(facts)
        if reps:
            total, stay_away, discounts = total + reps, stay_away + stays, discounts + discount
            told.append(factor.reason(facts))
    return total, stay_away, discounts, reasons_of(told)


class BaseReasons:
    """The reason of the base: its load comes last, and its text hardly ever names it."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._factor = policy.summed[0]
        shape = base_factor(policy).shape
        texts = shape.texts if isinstance(shape, Grid) else ()
        self._names_load = any("{load_percent_1rm" in text.text for text in texts)
        self._heads: Memo[bytes] = {}
        self._loads: Memo[bytes] = {}

    def told(self, context: SetContext, effect_reps: float) -> bytes:
        """Return it as JSON."""
        load = context.load_percent_1rm
        end = b"" if load is None or self._names_load else self._load(load)
        key = (context.rep_target, effect_reps, 0 if end else load)
        found = self._heads.get(key)
        if found is None:
            whole = encode(self._factor.reason(facts_of(context, self._policy.data)))
            found = remember(self._heads, key, whole.removesuffix(end))
        return found + end

    def _load(self, load: float) -> bytes:
        found = self._loads.get(load)
        return found or remember(self._loads, load, encode(float(load)) + b"}}")


class Bounds(Struct, frozen=True, eq=False, gc=False):
    """What bounds a sum [repetitions]. One object for equal frames; `reserves` by the sum after the discount limit."""

    frame: Frame
    careful: bool
    reserves: Memo[ReserveRange] = {}

    def reserve(self, limited: float, policy: Policy) -> ReserveRange:
        """Return the range for a sum after the discount limit."""
        found = self.reserves.get(limited)
        if found is None:
            found = policy.settle(self.frame, limited).reserve
            remember(self.reserves, limited, found, MOST_SUMS)
        return found


class Climate(Struct, frozen=True, eq=False, gc=False):
    """The bounds of a setting, and those it would have were the exercise accustomed, or new."""

    present: Bounds
    accustomed: Bounds
    new: Bounds


class Setting(Struct, frozen=True, eq=False, gc=False):
    """All that decides about an answer beside its sum; one object for each key.

    `by_reps` and `siblings` are the bounds with another rep target, or with one other thing changed.
    """

    climate: Climate
    cautions: bytes
    withheld: bool
    by_reps: dict[int, Bounds] = {}
    siblings: Memo[Bounds] = {}


class Outcome(Struct, frozen=True, eq=False, gc=False):
    """What the limits make of a sum: the range, how the answer begins, the reasons after the discount limit.

    `moved` holds changes that depend on no more than the setting and this sum.
    """

    reserve: ReserveRange
    head: bytes
    reasons: bytes
    moved: Memo[bytes] = {}


_FRAMING = attrgetter("rep_target", "goal", "deload", "cautions", "spotter", "safety_arms")
_NEWNESS = attrgetter("exposures", "days_since_last_exposure")


class Settings:
    """The settings of one policy, and what the limits make of sums in them."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._goal: Goal = policy.data.defaults.values.goal
        read = {name for factor in policy.after_window for name in factor.fields} - {"goal", "deload"}
        self._more: Key | None = key_of(sorted(read)) if read else None
        self._newness: Memo[bool] = {}
        self._known: Memo[Setting] = {}
        self._bounds: Memo[Bounds] = {}
        self._climates: Memo[Climate] = {}
        self._outcomes: Memo[Outcome] = {}
        self._given_back: Memo[bytes] = {0.0: b""}

    def of(self, context: SetContext, lift: Lift) -> Setting:
        """Return the setting of a valid context."""
        reps, goal, deload, cautions, spotter, arms = _FRAMING(context)
        newness = _NEWNESS(context)
        is_new = self._newness.get(newness)
        if is_new is None:
            is_new = self._is_new(newness, context)
        unspotted = lift.under_bar and not (spotter or arms)
        key: tuple[object, ...] = (reps, goal or self._goal, deload is True, cautions, unspotted, is_new)
        if self._more is not None:  # factors after the window that read something else
            key = (*key, self._more.sent(context), lift if self._more.with_lift else None)
        return self._known.get(key) or self._new(key, context)

    def _is_new(self, key: object, context: SetContext) -> bool:
        facts = facts_of(context, self._policy.data)
        return remember(self._newness, key, not effective_exposures(facts, self._policy.data.accustoming))

    def _new(self, key: object, context: SetContext) -> Setting:
        policy = self._policy
        facts = facts_of(context, policy.data)
        accustomed = policy.data.accustoming.full_exposures
        bounds = [
            self.bounds(facts),
            self.bounds(msgspec.structs.replace(facts, exposures=accustomed, days_since_last_exposure=0.0)),
            self.bounds(msgspec.structs.replace(facts, exposures=0.0)),
        ]
        climate = self._climates.get(tuple(bounds))
        if climate is None:
            climate = remember(self._climates, tuple(bounds), Climate(*bounds))
        withheld = withholding(facts.cautions, policy) is not None
        found = Setting(climate, encode(caution_notes(facts, policy)), withheld)
        return remember(self._known, key, found, MOST_SETTINGS)

    def bounds(self, facts: Facts) -> Bounds:
        """Return what bounds the sum for `facts`."""
        frame = self._policy.frame(facts)
        found = self._bounds.get(frame)
        return found or remember(self._bounds, frame, Bounds(frame, frame.careful))

    def outcome(self, context: SetContext, setting: Setting, limited: float) -> Outcome:
        """Return what the limits make of a sum after the discount limit [repetitions]."""
        key = (setting, limited)
        found = self._outcomes.get(key)
        if found is None:
            policy, frame = self._policy, setting.climate.present.frame
            settled = policy.settle(frame, limited)
            told = tell_limits(facts_of(context, policy.data), policy, (limited, 0.0), frame, settled)
            reserve = encode(settled.reserve)
            exertion = encode(exertion_range(settled.reserve))
            head = b'{"decision":"prescribe","reps_in_reserve":%b,"rpe":%b' % (reserve, exertion)
            found = Outcome(settled.reserve, head, reasons_of(told))
            remember(self._outcomes, key, found, 2 * MEMO_ENTRIES)
        return found

    def given_back(self, back: float) -> bytes:
        """Return the reason of the discount limit, after a comma; nothing when nothing is given back."""
        found = self._given_back.get(back)
        if found is None:
            found = remember(self._given_back, back, reasons_of([self._policy.discount_reason(back)]))
        return found
