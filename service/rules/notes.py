"""What goes with the number: cautions, assumptions, and cues for when to stop."""

from functools import lru_cache

from msgspec.structs import replace

from service.rules.answer import Assumption, CautionNote, StopCue
from service.rules.compiled import Policy
from service.rules.context import Caution, Equipment, SetContext
from service.rules.exertion import rpe_of
from service.rules.inputs import Facts, unspotted_under_bar

GENERAL_LIMITS = "general_limits"
UNDER_BAR_UNSPOTTED = "under_bar_unspotted"


@lru_cache(maxsize=1024)
def _caution_notes(policy: Policy, cautions: tuple[Caution, ...], unspotted: bool) -> tuple[CautionNote, ...]:
    texts = {text.code: text for text in policy.data.cautions}
    codes = [*cautions, *([UNDER_BAR_UNSPOTTED] if unspotted else []), GENERAL_LIMITS]
    return tuple(
        CautionNote(code=code, severity=texts[code].severity, text=texts[code].text) for code in codes
    )


def caution_notes(facts: Facts, policy: Policy) -> tuple[CautionNote, ...]:
    """Return the cautions that were sent, an unspotted bar where true, and the limits of all advice."""
    return _caution_notes(policy, facts.cautions, unspotted_under_bar(facts))


def withholding(cautions: tuple[Caution, ...], policy: Policy) -> Caution | None:
    """Return the first caution that forbids any target, None when there is none."""
    codes = {text.code for text in policy.data.cautions if text.withholds}
    return next((caution for caution in cautions if caution in codes), None)


ALWAYS_ASSUMED = (
    "load_percent_1rm",
    "later_overlapping_sets",
    "experience",
    "exposures",
    "goal",
    "hours_since_muscle_trained",
    "hours_until_muscle_trained",
    "failure_share_7d",
    "deload",
)

ASSUMABLE = (
    *ALWAYS_ASSUMED,
    "exercise_order",
    "set_order",
    "exercise",
    "exercise_traits.under_bar",
    "days_since_last_exposure",
    "spotter",
    "safety_arms",
)


def place_matters(facts: Facts, policy: Policy, order_field: str, count_field: str) -> bool:
    """Whether the place of the set or exercise, had it been sent, could have had an effect."""
    count = getattr(facts, count_field)
    factors = [policy.summed[place] for place in policy.readers[order_field]]
    placed = [replace(facts, **{order_field: 1, count_field: count or 1})]
    placed.append(replace(facts, **{order_field: count or 1, count_field: count}))
    return any(factor.effect(facts) != factor.effect(other) for other in placed for factor in factors)


def _omitted(context: SetContext, facts: Facts, policy: Policy) -> tuple[str, ...]:
    names = [name for name in ALWAYS_ASSUMED if getattr(context, name) is None]
    if context.exercise is None and context.exercise_traits is None:
        names.append("exercise")
    traits = context.exercise_traits
    if traits is not None and traits.under_bar is None:
        names.append("exercise_traits.under_bar")
    names += [
        order
        for order, count in (("exercise_order", "exercises_in_session"), ("set_order", "sets_in_exercise"))
        if getattr(context, order) is None and place_matters(facts, policy, order, count)
    ]
    if facts.exposures and context.exposures is not None and context.days_since_last_exposure is None:
        names.append("days_since_last_exposure")
    if facts.under_bar:
        names += [
            name
            for name, other in (("spotter", "safety_arms"), ("safety_arms", "spotter"))
            if getattr(context, name) is None and not getattr(context, other)
        ]
    return tuple(names)


_UNKNOWN = ("load_percent_1rm", "exercise_order", "set_order", "later_overlapping_sets", "exercise")


@lru_cache(maxsize=4096)
def _assumptions(policy: Policy, names: tuple[str, ...]) -> tuple[Assumption, ...]:
    defaults = policy.data.defaults
    return tuple(
        Assumption(
            field=name,
            value=None if name in _UNKNOWN else getattr(defaults.values, name, False),
            text=defaults.texts[name],
        )
        for name in names
    )


def assumptions(context: SetContext, facts: Facts, policy: Policy) -> tuple[Assumption, ...]:
    """Return each field that was left out and could have mattered, with the value used instead."""
    return _assumptions(policy, _omitted(context, facts, policy))


@lru_cache(maxsize=4096)
def _stop_cues(
    policy: Policy, rep_target: int, target: float, equipment: Equipment | None, tracked: bool
) -> tuple[StopCue, ...]:
    cues = policy.data.cues
    template = cues.reps_failure_text if target == 0.0 else cues.reps_text
    if rpe_of(target) is None:
        template = cues.reps_text_beyond_scale
    found = [
        StopCue(kind="reps", text=template.format(rep_target=rep_target, target=target)),
        StopCue(kind="technique", text=cues.technique_text),
    ]
    band = next((band for band in cues.velocity_bands if target <= band.up_to_reserve), None)
    if tracked and band is not None and equipment in cues.velocity_equipment:
        found.append(
            StopCue(
                kind="velocity_loss",
                low_percent=band.low_percent,
                high_percent=band.high_percent,
                text=cues.velocity_text.format(low=band.low_percent, high=band.high_percent),
            )
        )
    return tuple(found)


def stop_cues(facts: Facts, target: float, policy: Policy) -> tuple[StopCue, ...]:
    """Return when to end a set with `target` [repetitions] in reserve, in words for the lifter.

    A band of velocity loss is added only where bar speed can be tracked and means something: multi-joint
    lifts on the policy's equipment and rep range.
    """
    cues = policy.data.cues
    in_range = cues.velocity_from_reps <= facts.rep_target <= cues.velocity_to_reps
    tracked = in_range and facts.joints == "multi"
    return _stop_cues(policy, facts.rep_target, target, facts.equipment, tracked)
