"""The ledger: base and effects summed, limited, floored and rounded, each step with its reason."""

from typing import NamedTuple

from msgspec.structs import replace

from service.rules.answer import Reason, ReserveRange
from service.rules.compiled import Frame, Policy, Settled, floor_key
from service.rules.factors import Effect
from service.rules.inputs import Facts
from service.rules.limits import discount_limit_effect, lowest_around


class Weighed(NamedTuple):
    """Outcome of the ledger: the range, the safety floor in force [repetitions], and every step."""

    reserve: ReserveRange
    safety_floor: float
    reasons: tuple[Reason, ...]


class Standing(NamedTuple):
    """What each factor contributes, the base first, the sums [repetitions], and what bounds them."""

    frame: Frame
    effects: list[Effect]
    total: float
    stay_away: float
    discounts: float


def stand(facts: Facts, policy: Policy) -> Standing:
    """Return every factor's contribution for `facts`, summed."""
    effects = [factor.effect(facts) for factor in policy.summed]
    total = stay_away = discounts = 0.0
    for reps, stays, discount in effects:
        total += reps
        stay_away += stays
        discounts += discount
    return Standing(policy.frame(facts), effects, total, stay_away, discounts)


def _given_back(
    policy: Policy, frame: Frame, base: Effect, total: float, stay_away: float, discounts: float
) -> float:
    if not discounts or not (stay_away or frame.careful):
        return 0.0
    return discount_limit_effect(
        policy.data.limits, base=base.effect_reps, total=total, stay_away=stay_away, discounts=discounts
    )


def reserve_if(facts: Facts, policy: Policy, standing: Standing, field: str) -> ReserveRange:
    """The range for `facts`, which differ only in `field` from those of `standing`.

    The same that `weigh` gives, without the ledger and without asking factors that do not read the field.
    """
    frame, effects, total, stay_away, discounts = standing
    base = effects[0]
    for place in policy.readers[field]:
        old, new = effects[place], policy.summed[place].effect(facts)
        if not place:
            base = new
        total += new.effect_reps - old.effect_reps
        stay_away += new.stay_away_reps - old.stay_away_reps
        discounts += new.discount_reps - old.discount_reps
    if field in policy.frame_fields:
        frame = policy.frame(facts)
    back = _given_back(policy, frame, base, total, stay_away, discounts)
    return policy.settle(frame, total + back).reserve


def weigh(facts: Facts, policy: Policy) -> Weighed:
    """Return the target with its ledger; the effects in it add up to exactly the target."""
    frame, effects, total, stay_away, discounts = stand(facts, policy)
    back = _given_back(policy, frame, effects[0], total, stay_away, discounts)
    settled = policy.settle(frame, total + back)
    reasons = [
        factor.reason(facts)
        for factor, effect in zip(policy.summed, effects, strict=True)
        if effect.effect_reps
    ]
    reasons += tell_limits(facts, policy, (total, back), frame, settled)
    return Weighed(settled.reserve, frame.least, tuple(reasons))


def tell_limits(
    facts: Facts, policy: Policy, sums: tuple[float, float], frame: Frame, settled: Settled
) -> list[Reason]:
    """Return the reasons after the sum: `sums` are the sum and what the discount limit gives back [repetitions]."""
    reasons = []
    total, back = sums
    if back:
        reasons.append(policy.discount_reason(back))
    held = settled.windowed - total - back
    if held:
        reasons.append(policy.window_reason(facts.rep_target, held, frame.is_new))
    for factor, shift in zip(policy.after_window, settled.shifts, strict=True):
        if shift:
            reason = factor.reason(facts)
            reasons.append(reason if reason.effect_reps == shift else replace(reason, effect_reps=shift))
    raised = settled.safe - settled.windowed - sum(settled.shifts)
    if raised or frame.least > lowest_around(policy.data.limits, settled.target):
        reasons.append(policy.floor_reason(floor_key(facts), raised))
    if settled.target != settled.safe:
        reasons.append(policy.rounding_reason(settled.target - settled.safe))
    return reasons
