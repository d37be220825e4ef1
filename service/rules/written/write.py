"""The answers of one policy as JSON."""

from functools import lru_cache
from typing import Literal

from msgspec import Struct

from service.rules.answer import Decision
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.inputs import facts_of
from service.rules.prescribe import prescribe, prescribe_brief, reported_reserve, valid_facts
from service.rules.validity import faults_of
from service.rules.weigh import Weighed
from service.rules.written.base_line import is_plain
from service.rules.written.fit import Fit
from service.rules.written.keys import Lift, Memo, lift_from, remember
from service.rules.written.ledger import BaseReasons, Settings, encode, grouped, new_piece
from service.rules.written.moves import Case, Moves
from service.rules.written.notes import Notes

Detail = Literal["full", "brief"]
MOST_ANSWERS = 1024  # whole ones; the same set is often asked for again
MOST_WRITERS = 4  # each holds up to 20 MiB: this version and the one before, in two languages


class Written(Struct, frozen=True, gc=False):
    """An answer as JSON, and its decision."""

    decision: Decision
    body: bytes


class Writer:
    """Writes the answers of one policy, and keeps its pieces. Expects a policy whose base `is_plain`."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._briefs: Memo[Written] = {}
        self._fulls: Memo[Written] = {}
        self._lifts: Memo[Lift] = {}
        self._groups = grouped(policy)
        self._settings = Settings(policy)
        self._moves = Moves(policy, self._settings)
        self._base_reasons = BaseReasons(policy)
        self._fit = Fit(policy, self._moves)
        self._notes = Notes(policy)
        self._ref = b',"policy":' + encode(policy.ref) + b"}"

    def written(self, context: SetContext, detail: Detail) -> Written:
        """Return the answer to a context. Raises InputRefused."""
        write, known = (self._brief, self._briefs) if detail == "brief" else (self._full, self._fulls)
        if context.exercise_traits is not None:  # holds a dict: no key
            return write(context)
        found = known.get(context)
        return found or remember(known, context, write(context), MOST_ANSWERS)

    def _stand(self, context: SetContext) -> Case | None:
        """Return where a context stands, None when it is withheld. Raises InputRefused."""
        policy = self._policy
        if faults_of(context, policy):
            valid_facts(context, policy)
        lift = lift_from(context, policy, self._lifts)
        setting = self._settings.of(context, lift)
        if setting.withheld:
            return None
        return Case(context, lift, setting, self._moves.base.line(context.load_percent_1rm))

    def _ledger(self, case: Case) -> bytes:
        """Return the reasons as JSON; sets the sums and the outcome of `case`."""
        context, lift = case.context, case.lift
        base = total = case.line.at(context.rep_target)
        stay_away = discounts = 0.0
        reasons = [self._base_reasons.told(context, base)]
        for sent, with_lift, known, factors in self._groups:
            key = (sent(context), lift) if with_lift else sent(context)
            piece = known.get(key)
            if piece is None:
                piece = remember(known, key, new_piece(factors, facts_of(context, self._policy.data)))
            if piece[3]:
                effect, stays, discount, told = piece
                total += effect
                stay_away += stays
                discounts += discount
                reasons.append(told)
        limited = self._moves.limited(case.setting.climate.present, base, total, stay_away, discounts)
        case.base, case.total, case.stay_away, case.discounts, case.limited = (
            base,
            total,
            stay_away,
            discounts,
            limited,
        )
        case.outcome = self._settings.outcome(context, case.setting, limited)
        return b"".join([*reasons, self._settings.given_back(limited - total), case.outcome.reasons])

    def _brief(self, context: SetContext) -> Written:
        case = self._stand(context)
        if case is None:
            return Written("withhold", encode(prescribe_brief(context, self._policy)))
        reasons = self._ledger(case)
        parts = [
            case.outcome.head,
            b',"reasons":[',
            reasons,
            b'],"cautions":',
            case.setting.cautions,
            self._ref,
        ]
        return Written("prescribe", b"".join(parts))

    def _full(self, context: SetContext) -> Written:
        case = self._stand(context)
        if case is None:
            return Written("withhold", encode(prescribe(context, self._policy)))
        reasons = self._ledger(case)
        parts = [
            case.outcome.head,
            b',"reported_reps_in_reserve":',
            b"null" if context.reporting_bias is None else self._reported(case),
            b',"reasons":[',
            reasons,
            b'],"expected":',
            self._fit.told(case),
            b',"stop_cues":',
            self._notes.stop_cues(case),
            b',"cautions":',
            case.setting.cautions,
            b',"assumptions":',
            self._notes.assumptions(case),
            b',"what_would_change_it":[',
            self._moves.told(case)[1:],
            b"]",
            self._ref,
        ]
        return Written("prescribe", b"".join(parts))

    def _reported(self, case: Case) -> bytes:
        weighed = Weighed(case.outcome.reserve, case.setting.climate.present.frame.least, ())
        return encode(reported_reserve(weighed, case.context.reporting_bias, self._policy))


@lru_cache(maxsize=MOST_WRITERS)
def _writer_of(policy: Policy) -> Writer | None:
    return Writer(policy) if is_plain(policy) else None


def written(context: SetContext, policy: Policy, detail: Detail) -> Written:
    """Return `prescribe` (full) or `prescribe_brief` as JSON, byte for byte. Raises InputRefused as they do."""
    writer = _writer_of(policy)
    if writer is not None:
        return writer.written(context, detail)
    found = prescribe(context, policy) if detail == "full" else prescribe_brief(context, policy)
    return Written(found.decision, encode(found))
