"""`stop_cues` and `assumptions` in pieces; see `service.rules.notes`, whose functions decide."""

from collections.abc import Callable
from operator import attrgetter
from typing import NamedTuple

from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.inputs import facts_of
from service.rules.notes import ALWAYS_ASSUMED, assumptions, place_matters, stop_cues
from service.rules.written.keys import Memo, key_of, remember
from service.rules.written.ledger import encode
from service.rules.written.moves import Case

_ASSUMABLE = attrgetter(*ALWAYS_ASSUMED, "exercise", "exercise_traits", "days_since_last_exposure")


MOST_ASSUMED = 512


class _Place(NamedTuple):
    """A place that may be left out: its field, that of the count, and whether it could have mattered, by key."""

    order_field: str
    count_field: str
    sent: Callable[[SetContext], object]
    of_kind: bool
    known: Memo[bool]


def _place(order: str, count: str, policy: Policy) -> _Place:
    read = [name for place in policy.readers[order] for name in policy.summed[place].fields]
    return _Place(order, count, *key_of((order, count, *read)), {})


class Notes:
    """Cues and assumptions of one policy."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._cues: Memo[bytes] = {}
        self._assumed: Memo[bytes] = {}
        self._places = [
            _place("exercise_order", "exercises_in_session", policy),
            _place("set_order", "sets_in_exercise", policy),
        ]

    def stop_cues(self, case: Case) -> bytes:
        """Return `stop_cues` as JSON."""
        lift, target = case.lift, case.outcome.reserve.target
        key = (case.context.rep_target, target, lift.joints == "multi" and lift.equipment)
        found = self._cues.get(key)
        if found is None:
            facts = facts_of(case.context, self._policy.data)
            found = remember(self._cues, key, encode(stop_cues(facts, target, self._policy)))
        return found

    def _place_matters(self, case: Case, place: _Place) -> bool:
        order, count, sent, of_kind, known = place
        key = (sent(case.context), case.lift.kind) if of_kind else sent(case.context)
        found = known.get(key)
        if found is None:
            facts = facts_of(case.context, self._policy.data)
            found = remember(known, key, place_matters(facts, self._policy, order, count))
        return found

    def assumptions(self, case: Case) -> bytes:
        """Return `assumptions` as JSON."""
        context = case.context
        traits = context.exercise_traits
        key = (
            *[value is None for value in _ASSUMABLE(context)],
            traits is None or traits.under_bar is None,
            not context.exposures,
            case.lift.under_bar and (context.spotter, context.safety_arms),
            context.exercise_order is None and self._place_matters(case, self._places[0]),
            context.set_order is None and self._place_matters(case, self._places[1]),
        )
        found = self._assumed.get(key)
        if found is None:
            facts = facts_of(context, self._policy.data)
            found = encode(assumptions(context, facts, self._policy))
            remember(self._assumed, key, found, MOST_ASSUMED)
        return found
