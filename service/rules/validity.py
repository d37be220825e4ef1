"""What the types of a set context cannot say: rules over two members and over the policy's catalogues."""

from service.errors import Fault
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.estimate import unknown_exercise


def _order_faults(context: SetContext) -> list[Fault]:
    found = []
    for order_field, count_field in (
        ("exercise_order", "exercises_in_session"),
        ("set_order", "sets_in_exercise"),
    ):
        order, count = getattr(context, order_field), getattr(context, count_field)
        if order is not None and count is not None and order > count:
            found.append(Fault(f"#/{order_field}", f"{order} is more than {count_field} ({count})"))
    return found


def _exercise_faults(context: SetContext, policy: Policy) -> list[Fault]:
    traits = context.exercise_traits
    found = []
    if context.exercise is not None:
        if traits is not None:
            found.append(Fault("#/exercise", "send exercise or exercise_traits, not both"))
        if context.exercise not in policy.data.exercises:
            found.append(unknown_exercise(context.exercise, policy))
    if traits is not None and traits.muscles:
        found += [
            Fault(
                f"#/exercise_traits/muscles/{muscle}",
                f"no muscle of this id in policy {policy.version}; GET /v1/muscles lists all",
            )
            for muscle in traits.muscles
            if muscle not in policy.data.muscles
        ]
    return found


def _shift_faults(context: SetContext, policy: Policy) -> list[Fault]:
    if context.plan_shift_reps is None or policy.readers["plan_shift_reps"]:
        return []
    return [
        Fault("#/plan_shift_reps", f"policy {policy.version} knows no shift; pin a later one or leave it out")
    ]


def _caution_faults(context: SetContext) -> list[Fault]:
    cautions = context.cautions or ()
    return [
        Fault(f"#/cautions/{index}", f"{caution} is repeated; send each caution once")
        for index, caution in enumerate(cautions)
        if caution is not None and caution in cautions[:index]
    ]


def faults_of(context: SetContext, policy: Policy) -> tuple[Fault, ...]:
    """Return every fault the types cannot see, as JSON Pointers into the context; empty when valid.

    A rule over two members is reported at the one the contract names first.
    """
    return (
        *_exercise_faults(context, policy),
        *_order_faults(context),
        *_shift_faults(context, policy),
        *_caution_faults(context),
    )
