"""`what_would_change_it` in pieces.

What a value does to the sums depends on little, and the sums stand in one of few places; so most changes are known.
The others are found by trying, nearest value first. The target is monotone along values, as `service.rules.changes`
has it, so the first that moves it is the nearest.
"""

from msgspec.structs import replace

from service.rules.answer import Change, InputValue, ReserveRange
from service.rules.compiled import Policy
from service.rules.context import MOST_REPS, SetContext
from service.rules.inputs import facts_of
from service.rules.written.base_line import Base, Line
from service.rules.written.keys import Lift, Memo, remember
from service.rules.written.ledger import Bounds, Outcome, Setting, Settings, encode
from service.rules.written.probes import (
    BEFORE_GOAL,
    BEFORE_REPS,
    HELP,
    Lookup,
    Probe,
    Probes,
    added,
    lookups,
    lookups_of_goal,
    new_probes,
)

MOST_MOVED = 128
NEAR_REPS = 3


class Case:
    """One context being answered: where it stands, and what is looked up for it once and read often.

    `base`, `total`, `stay_away` and `discounts` are its sums [repetitions], `limited` the sum after the discount limit.
    """

    __slots__ = (
        "base",
        "context",
        "discounts",
        "lift",
        "limited",
        "line",
        "outcome",
        "setting",
        "stay_away",
        "total",
    )

    def __init__(self, context: SetContext, lift: Lift, setting: Setting, line: Line) -> None:
        self.context, self.lift, self.setting, self.line = context, lift, setting, line
        self.base = self.total = self.stay_away = self.discounts = self.limited = 0.0
        self.outcome: Outcome


class Moves:
    """Finds the changes of one policy, and the ranges that other reps and loads would get."""

    def __init__(self, policy: Policy, settings: Settings) -> None:
        self._policy = policy
        self._settings = settings
        self._slack = policy.data.limits.discount_slack_reps
        self._before_goal = lookups(policy, BEFORE_GOAL)
        self._goal = lookups_of_goal(policy)
        self._before_reps = lookups(policy, BEFORE_REPS)
        self._help = lookups(policy, HELP)
        self._probes: Memo[Probes] = {}
        self._added: Memo[Probes] = {}
        self._told: Memo[bytes] = {}
        self._calm: Memo[Memo[bytes]] = {}
        self._stands: Memo[Memo[bytes]] = {}
        self.base = Base(policy)

    def limited(self, bounds: Bounds, base: float, total: float, stay_away: float, discounts: float) -> float:
        """Return the sum after the discount limit; see `service.rules.limits.discount_limit_effect`."""
        if discounts and (stay_away or bounds.careful):
            least, most = base + stay_away - self._slack, total - discounts
            # as calls of min and max this would take twice the time
            if most < least:  # noqa: PLR1730 - see above
                least = most
            return least if least > total else total  # noqa: FURB136 - see above
        return total

    def told(self, case: Case) -> bytes:
        """Return the changes as JSON, each after a comma."""
        known, calm, stand = self._memos(case)
        found = [self._moved(lookup, case, known, calm, stand) for lookup in self._before_goal]
        found.append(self._goal_moved(case, stand))
        found += [self._moved(lookup, case, known, calm, stand) for lookup in self._before_reps]
        found.append(self._reps_moved(case))
        if case.lift.under_bar:
            found += [self._moved(lookup, case, known, calm, stand) for lookup in self._help]
        return b"".join(found)

    def _memos(self, case: Case) -> tuple[Memo[bytes], Memo[bytes], Memo[bytes]]:
        """Return what is known about changes of bounds only, of the sum only, and of any kind."""
        climate = case.setting.climate
        at = (climate, case.limited)
        calm = self._calm.get(at)
        if calm is None:
            calm = remember(self._calm, at, {})
        sums = (climate, case.base, case.total, case.stay_away, case.discounts)
        stand = self._stands.get(sums)
        if stand is None:
            stand = remember(self._stands, sums, {})
        return case.outcome.moved, calm, stand

    def _moved(
        self, lookup: Lookup, case: Case, moved: Memo[bytes], calm: Memo[bytes], stand: Memo[bytes]
    ) -> bytes:
        """Return the changes of the fields of `lookup`, each after a comma.

        Without discounts the sum passes the limit as it is, and what moves it moves the target whatever it is made of.
        The same holds for what stays away, while anything else does: both sides of the limit move with it.
        """
        probes = self._probes_of(lookup, case)
        keeps = probes.keeps
        if keeps == "sums":
            memo = moved
        elif keeps is None:
            memo = stand
        elif not case.discounts:
            memo = calm
        elif keeps == "stay":
            memo = (
                calm if case.stay_away > probes.stay_away or case.setting.climate.present.careful else stand
            )
        else:
            memo = stand if case.stay_away or case.setting.climate.present.careful else calm
        place: object = probes if keeps is not None else (probes, case.setting)
        found = memo.get(place)
        if found is None:
            found = b"".join([self._change(probe, case) for probe in probes.probes])
            remember(memo, place, found, MOST_MOVED)
        return found

    def _goal_moved(self, case: Case, stand: Memo[bytes]) -> bytes:
        parts = tuple([self._probes_of(lookup, case) for lookup in self._goal])
        probes = self._added.get(parts)
        if probes is None:
            probes = remember(self._added, parts, added(parts))
        place = (probes, case.setting)
        found = stand.get(place)
        if found is None:
            found = remember(stand, place, self._change(probes.probes[0], case), MOST_MOVED)
        return found

    def _probes_of(self, lookup: Lookup, case: Case) -> Probes:
        key = lookup.sent(case.context)
        if lookup.of_kind:
            key = (key, case.lift.kind)
        return lookup.known.get(key) or self._new(lookup, key, case)

    def _new(self, lookup: Lookup, key: object, case: Case) -> Probes:
        made = new_probes(lookup, facts_of(case.context, self._policy.data), self._policy)
        content = (made.probes, made.stay_away)
        found = self._probes.get(content) or remember(self._probes, content, made)
        return remember(lookup.known, key, found)

    def _bounds_with(self, case: Case, name: str, value: object) -> Bounds:
        """Return the bounds with one thing changed: a field, `unspotted`, or `is_new`."""
        setting = case.setting
        if name == "is_new":
            return setting.climate.new if value else setting.climate.accustomed
        found = setting.siblings.get((name, value))
        if found is None:
            changed = {"spotter": not value, "safety_arms": False} if name == "unspotted" else {name: value}
            facts = replace(facts_of(case.context, self._policy.data), **changed)
            found = setting.siblings[name, value] = self._settings.bounds(facts)
        return found

    def _change(self, probe: Probe, case: Case) -> bytes:
        present = case.outcome.reserve.target
        best = None
        for value, (total, stay_away, discounts), changed in probe.trials:
            bounds = case.setting.climate.present if changed is None else self._bounds_with(case, *changed)
            limited = self.limited(
                bounds,
                case.base,
                case.total + total,
                case.stay_away + stay_away,
                case.discounts + discounts,
            )
            reserve = bounds.reserves.get(limited) or bounds.reserve(limited, self._policy)
            target = reserve.target
            if target == present:
                continue
            if probe.field != "goal":
                return self._tell(probe.field, value, target)
            # levels without an order: the one that moves the target least, the first of equals
            if best is None or abs(target - present) < abs(best[1] - present):
                best = value, target
        return b"" if best is None else self._tell(probe.field, *best)

    def _tell(self, field: str, value: InputValue, target: float) -> bytes:
        key = (field, value, target)
        found = self._told.get(key)
        if found is None:
            told = b"," + encode(Change(field=field, value=value, target=target))
            found = remember(self._told, key, told)
        return found

    def reserve_with(self, case: Case, line: Line, reps: int) -> ReserveRange:
        """Return the range with another rep target, or with the load of another line."""
        base = line.known.get(reps)
        if base is None:
            base = line.at(reps)
        setting = case.setting
        bounds = setting.by_reps.get(reps)
        if bounds is None:
            facts = replace(facts_of(case.context, self._policy.data), rep_target=reps)
            bounds = setting.by_reps[reps] = self._settings.bounds(facts)
        total = case.total - case.base + base
        if case.discounts:  # else the limit has nothing to hold
            total = self.limited(bounds, base, total, case.stay_away, case.discounts)
        return bounds.reserves.get(total) or bounds.reserve(total, self._policy)

    def _reps_moved(self, case: Case) -> bytes:
        """Return the change of the rep target, after a comma: the nearest, the lower of equals."""
        now, line, present = case.context.rep_target, case.line, case.outcome.reserve.target
        for distance in range(1, MOST_REPS):
            below, above = now - distance, now + distance
            if below >= 1 and (target := self.reserve_with(case, line, below).target) != present:
                return self._tell("rep_target", below, target)
            if above <= MOST_REPS and (target := self.reserve_with(case, line, above).target) != present:
                return self._tell("rep_target", above, target)
            if distance == NEAR_REPS and self._never_moved(case):
                break
        return b""

    def _never_moved(self, case: Case) -> bool:
        ends = (self.reserve_with(case, case.line, reps).target for reps in (1, MOST_REPS))
        return all(target == case.outcome.reserve.target for target in ends)
