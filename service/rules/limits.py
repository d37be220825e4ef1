"""What holds the sum of effects in bounds: discount limit, window, safety floors, rounding, range."""

from math import ceil, floor

from service.rules.answer import Reason, ReserveRange
from service.rules.context import Caution, Goal
from service.rules.policy import Floor, Limits, Sourced, Window

# cautions, goal, unspotted under a bar, rep target
FloorKey = tuple[tuple[Caution, ...], Goal, bool, int]


def _reason(name: str, effect: float, text: str, source: Sourced, **told: object) -> Reason:
    return Reason(
        factor=name,
        effect_reps=effect,
        text=text,
        grade=source.grade,
        evidence=source.evidence,
        input=told,  # type: ignore[arg-type]  # callers pass JSON scalars and lists of text only
    )


def discount_limit_effect(
    limits: Limits, *, base: float, total: float, stay_away: float, discounts: float
) -> float:
    """What must be given back [repetitions, >= 0] because discounts went too far.

    With `stay_away` reasons active, `discounts` (<= 0) may not pull `total` below base plus those reasons
    minus the policy's slack. What other factors took off stays off.
    """
    allowed = min(base + stay_away - limits.discount_slack_reps, total - discounts)
    return max(0.0, allowed - total)


def discount_reason(limits: Limits, effect: float) -> Reason:
    """Ledger entry of the discount limit."""
    return _reason("discount_limit", effect, limits.discount_text, limits.discount_source)


def window_of(limits: Limits, rep_target: int) -> Window:
    """Window of the band `rep_target` lies in."""
    return next(w for w in limits.windows if w.from_reps <= rep_target <= w.to_reps)


def window_top(window: Window, is_new: bool) -> float:
    """Highest target [repetitions] of the band; a new exercise may lift it."""
    return window.high_when_new if is_new else window.high


def window_reason(limits: Limits, rep_target: int, effect: float, is_new: bool) -> Reason:
    """Ledger entry of the rep band's window."""
    window = window_of(limits, rep_target)
    top = window_top(window, is_new)
    template = window.text_low if effect > 0 else window.text_high
    text = template.format(low=window.low, high=top)
    return _reason("rep_band_window", effect, text, window.source, rep_target=rep_target)


def floor_in_force(limits: Limits, key: FloorKey) -> Floor | None:
    """Highest floor that applies, the first of equals in the policy's order; None when none does."""
    cautions, goal, unspotted, rep_target = key
    codes = {*cautions, f"goal_{goal}"}
    if unspotted:
        codes.add("under_bar_unspotted")
    applying = [
        f for f in limits.floors if f.code in codes and (f.up_to_reps is None or rep_target <= f.up_to_reps)
    ]
    return max(applying, key=lambda f: f.reps, default=None)


def floor_reps(limits: Limits, key: FloorKey) -> float:
    """Least reserve [repetitions] for `key`, 0 when no floor applies."""
    found = floor_in_force(limits, key)
    return 0.0 if found is None else found.reps


def floor_reason(limits: Limits, key: FloorKey, effect: float) -> Reason:
    """Ledger entry of the safety floor in force for `key`."""
    found = floor_in_force(limits, key)
    if found is None:
        raise LookupError("no floor applies")
    cautions, goal, _, rep_target = key
    told: dict[str, object]
    if found.code in cautions:
        told = {"cautions": list(cautions)}
    elif found.code.startswith("goal_"):
        told = {"goal": goal}
    else:
        told = {"spotter": False, "safety_arms": False, "rep_target": rep_target}
    return _reason("safety_floor", effect, found.text.format(reps=found.reps), found.source, **told)


def rounded(limits: Limits, value: float) -> float:
    """`value` [repetitions] on the policy's step, ties away from failure."""
    step = limits.rounding_step_reps
    return floor(value / step + 0.5) * step


def rounding_reason(limits: Limits, effect: float) -> Reason:
    """Ledger entry of the rounding."""
    return _reason("rounding", effect, limits.rounding_text, limits.rounding_source)


def lowest_around(limits: Limits, target: float) -> float:
    """Low end of the range around `target` [repetitions] when no safety floor holds it."""
    return max(0.0, float(ceil(target - limits.range_half_width_reps)))


def reserve_range(limits: Limits, *, target: float, safety_floor: float, top: float) -> ReserveRange:
    """Range around the target in whole repetitions.

    Low is a rep closer, never below the safety floor; high is a rep further, never above the top of the
    window in force unless the target itself is.
    """
    low = max(lowest_around(limits, target), safety_floor)
    high = min(float(floor(target + limits.range_half_width_reps)), max(top, float(ceil(target))))
    return ReserveRange(target=target, low=low, high=high)
