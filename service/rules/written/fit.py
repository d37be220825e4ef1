"""`expected` and `adjustments` in pieces; see `service.rules.fit`, whose functions decide."""

from math import floor

from msgspec import Struct

from service.rules.answer import Adjustment, Spread
from service.rules.capacity import chance_below, mean_reps_to_failure, percent_for_reps, sd_reps_to_failure
from service.rules.compiled import Policy
from service.rules.context import MOST_REPS
from service.rules.fit import DECIMALS, PERCENT_DECIMALS, conflict_of, reps_from, targets_from
from service.rules.written.keys import Memo, remember
from service.rules.written.ledger import encode
from service.rules.written.moves import Case, Moves


class Capable(Struct, frozen=True, gc=False):
    """What the average lifter can do at a load: mean and SD [repetitions], and how the answer begins to say so."""

    mean: float
    sd: float
    head: bytes


class Fit:
    """Expectations of one policy."""

    def __init__(self, policy: Policy, moves: Moves) -> None:
        self._policy = policy
        self._moves = moves
        self._capable: Memo[Capable] = {}
        self._loads: Memo[float] = {}
        self._chances: Memo[bytes] = {}

    def capable(self, load_percent_1rm: float, family: str) -> Capable:
        """Return what the average lifter can do at a load."""
        key = (load_percent_1rm, family)
        found = self._capable.get(key)
        if found is None:
            capacity = self._policy.data.capacity
            load = float(load_percent_1rm)
            mean = mean_reps_to_failure(capacity, family, load)
            sd = sd_reps_to_failure(capacity, family, load)
            told = encode(Spread(mean=round(mean, DECIMALS), sd=round(sd, DECIMALS)))
            head = b'{"reps_to_failure":' + told + b',"reps_at_target":'
            found = remember(self._capable, key, Capable(mean, sd, head))
        return found

    def told(self, case: Case) -> bytes:
        """Return `expected`, and `adjustments` after it."""
        load, reps = case.context.load_percent_1rm, case.context.rep_target
        if load is None:
            return b'null,"adjustments":[]'
        reserve = case.outcome.reserve
        able = self.capable(load, case.lift.family)
        mean = able.mean
        chance = self._chance(round(chance_below(mean, able.sd, reps + reserve.low), DECIMALS))
        head = b'%b%d,"chance_short":%b,"conflict":' % (
            able.head,
            max(0, floor(mean - reserve.target)),
            chance,
        )
        conflict = conflict_of(mean, reps, reserve, self._policy)
        if conflict is None:
            return head + b'null},"adjustments":[]'
        ways = self._keep_load(mean, case) + self._keep_reps(case)
        return b'%b"%b"},"adjustments":[%b]' % (head, conflict.encode(), ways[1:])

    def _chance(self, chance: float) -> bytes:
        found = self._chances.get(chance)
        return found or remember(self._chances, chance, encode(chance))

    def _keep_load(self, mean: float, case: Case) -> bytes:
        most = min(floor(mean), MOST_REPS)
        start = min(max(floor(mean - case.outcome.reserve.target), 1), most)
        for reps in reps_from(start, most):
            reserve = self._moves.reserve_with(case, case.line, reps)
            if conflict_of(mean, reps, reserve, self._policy) is None:
                return b',{"keep":"load","rep_target":%d}' % reps
        return b""

    def _keep_reps(self, case: Case) -> bytes:
        reps, family = case.context.rep_target, case.lift.family
        for wanted in targets_from(case.outcome.reserve.target, self._policy):
            load = self._load_for(reps + wanted, family)
            reserve = self._moves.reserve_with(case, self._moves.base.line(load), reps)
            mean = self.capable(load, family).mean
            if conflict_of(mean, reps, reserve, self._policy) is None:
                return b"," + encode(Adjustment(keep="reps", load_percent_1rm=load))
        return b""

    def _load_for(self, reps: float, family: str) -> float:
        key = (reps, family)
        found = self._loads.get(key)
        if found is None:
            percent = percent_for_reps(self._policy.data.capacity, family, reps)
            found = remember(self._loads, key, round(percent, PERCENT_DECIMALS))
        return found
