"""From what the caller sent to what factors read: defaults filled in, derived inputs named."""

from collections.abc import Callable

from msgspec import Struct

from service.rules.context import Caution, Equipment, Experience, Goal, Joints, SetContext
from service.rules.curves import interpolate
from service.rules.policy import Accustoming, PolicyData

GENERAL = "general"


class Facts(Struct, frozen=True, kw_only=True):
    """A set context with every default filled in; units as in SetContext."""

    rep_target: int
    load_percent_1rm: float | None
    exercise: str | None
    joints: Joints
    equipment: Equipment | None
    under_bar: bool
    family: str
    exercise_order: int | None
    exercises_in_session: int | None
    set_order: int | None
    sets_in_exercise: int | None
    later_overlapping_sets: float | None
    experience: Experience
    exposures: float
    days_since_last_exposure: float
    goal: Goal
    hours_since_muscle_trained: float
    hours_until_muscle_trained: float
    failure_share_7d: float
    deload: bool
    plan_shift_reps: float
    spotter: bool
    safety_arms: bool
    cautions: tuple[Caution, ...]


class Input(Struct, frozen=True):
    """One thing a factor may read. `levels` is its closed vocabulary, or None when it is a number.

    `fields` are the members of Facts it is computed from, `read` computes it from Facts.
    """

    fields: tuple[str, ...]
    read: Callable[[Facts, Accustoming], object]
    levels: tuple[object, ...] | None = None


def exercise_position(facts: Facts) -> str:
    """`early`, `middle`, `late`, or `unknown`: the third of the session the exercise stands in.

    The first of several is always early and the last late; an only exercise is in the middle. Without
    a count the first is early and any other in the middle.
    """
    order, count = facts.exercise_order, facts.exercises_in_session
    if order is None:
        return "unknown"
    if count is None:
        return "early" if order == 1 else "middle"
    if count == 1:
        return "middle"
    thirds = 3
    if order == 1 or order * thirds <= count:
        return "early"
    if order == count or (count - order + 1) * thirds <= count:
        return "late"
    return "middle"


def position_without_overlap(facts: Facts, _: Accustoming) -> str:
    """Exercise position, but early reads as middle once the later overlapping sets are known.

    The work still to come is the reason for distance early on; it must not count twice.
    """
    position = exercise_position(facts)
    if position == "early" and facts.later_overlapping_sets is not None:
        return "middle"
    return position


def set_position(facts: Facts, _: Accustoming) -> str:
    """`only`, `last`, `earlier`, or `unknown`: where the set stands within its exercise."""
    order, count = facts.set_order, facts.sets_in_exercise
    if count is None:
        return "unknown"
    if count == 1:
        return "only"
    if order is None:
        return "unknown"
    return "last" if order == count else "earlier"


def effective_exposures(facts: Facts, accustoming: Accustoming) -> float:
    """Sessions with the exercise that still protect [sessions]: capped, times what absence leaves."""
    kept = interpolate(
        accustoming.retention_days, accustoming.retention_share, facts.days_since_last_exposure
    )
    return min(facts.exposures, accustoming.full_exposures) * kept


def nearest_training_hours(facts: Facts, _: Accustoming) -> float:
    """Hours [hours] to the nearer training of the same muscles, before or after; it counts once."""
    return min(facts.hours_since_muscle_trained, facts.hours_until_muscle_trained)


def unspotted_under_bar(facts: Facts) -> bool:
    """True when a failed repetition could pin the lifter and neither spotter nor arms would help."""
    return facts.under_bar and not (facts.spotter or facts.safety_arms)


def _field(name: str) -> Callable[[Facts, Accustoming], object]:
    return lambda facts, _: getattr(facts, name)


FLAG = (False, True)
INPUTS: dict[str, Input] = {
    "rep_target": Input(("rep_target",), _field("rep_target")),
    "load_percent_1rm": Input(("load_percent_1rm",), _field("load_percent_1rm")),
    "exercise_position": Input(
        ("exercise_order", "exercises_in_session", "later_overlapping_sets"),
        position_without_overlap,
        ("early", "middle", "late", "unknown"),
    ),
    "later_overlapping_sets": Input(
        ("later_overlapping_sets",), lambda facts, _: facts.later_overlapping_sets or 0.0
    ),
    "set_position": Input(
        ("set_order", "sets_in_exercise"), set_position, ("only", "last", "earlier", "unknown")
    ),
    "experience": Input(("experience",), _field("experience"), ("novice", "intermediate", "advanced")),
    "effective_exposures": Input(("exposures", "days_since_last_exposure"), effective_exposures),
    "goal": Input(("goal",), _field("goal"), ("hypertrophy", "strength", "power", "local_endurance")),
    "nearest_training_hours": Input(
        ("hours_since_muscle_trained", "hours_until_muscle_trained"), nearest_training_hours
    ),
    "failure_share_7d": Input(("failure_share_7d",), _field("failure_share_7d")),
    "deload": Input(("deload",), _field("deload"), FLAG),
    "plan_shift_reps": Input(("plan_shift_reps",), _field("plan_shift_reps")),
    "joints": Input(("exercise", "joints"), _field("joints"), ("multi", "single")),
    "equipment": Input(
        ("exercise", "equipment"),
        lambda facts, _: facts.equipment or "unspecified",
        ("unspecified", "barbell", "dumbbell", "machine", "cable", "bodyweight", "band"),
    ),
}


def _or(sent: float | None, neutral: float) -> float:
    # adding 0.0 turns -0.0 into 0.0: equal values must give equal bytes
    return (neutral if sent is None else float(sent)) + 0.0


def lift_of(context: SetContext, data: PolicyData) -> tuple[Joints, Equipment | None, bool, str]:
    """Return joints, equipment, under_bar and capacity family of the exercise that was sent."""
    if context.exercise is not None:
        known = data.exercises[context.exercise]
        return known.joints, known.equipment, known.under_bar, data.families_by_exercise[known.id]
    traits = context.exercise_traits
    if traits is not None:
        return traits.joints, traits.equipment, bool(traits.under_bar), GENERAL
    return data.defaults.values.joints, None, False, GENERAL


def facts_of(context: SetContext, data: PolicyData) -> Facts:
    """Return the context with every default of the policy filled in.

    Expects a context that `service.rules.validity.faults_of` finds nothing wrong with.
    """
    neutral = data.defaults.values
    joints, equipment, under_bar, family = lift_of(context, data)
    load, later = context.load_percent_1rm, context.later_overlapping_sets
    return Facts(
        rep_target=context.rep_target,
        load_percent_1rm=None if load is None else float(load),
        exercise=context.exercise,
        joints=joints,
        equipment=equipment,
        under_bar=under_bar,
        family=family,
        exercise_order=context.exercise_order,
        exercises_in_session=context.exercises_in_session,
        set_order=context.set_order,
        sets_in_exercise=context.sets_in_exercise,
        later_overlapping_sets=None if later is None else later + 0.0,
        experience=context.experience or neutral.experience,
        exposures=_or(context.exposures, neutral.exposures),
        days_since_last_exposure=_or(context.days_since_last_exposure, neutral.days_since_last_exposure),
        goal=context.goal or neutral.goal,
        hours_since_muscle_trained=_or(
            context.hours_since_muscle_trained, neutral.hours_since_muscle_trained
        ),
        hours_until_muscle_trained=_or(
            context.hours_until_muscle_trained, neutral.hours_until_muscle_trained
        ),
        failure_share_7d=_or(context.failure_share_7d, neutral.failure_share_7d),
        deload=bool(context.deload),
        plan_shift_reps=_or(context.plan_shift_reps, 0.0),
        spotter=bool(context.spotter),
        safety_arms=bool(context.safety_arms),
        cautions=context.cautions or (),
    )
