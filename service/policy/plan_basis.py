"""Everything a plan is prescribed with, read together."""

from service.policy.carryover_numbers import load_carryover
from service.policy.learning_numbers import load_learning
from service.policy.plan_numbers import load_plan_numbers
from service.rules.compiled import Policy
from service.rules.plans.basis import PlanBasis


def load_plan_basis(policy: Policy) -> PlanBasis:
    """Return the newest numbers with `policy`, whose register must hold their evidence. Raises PolicyBroken."""
    return PlanBasis(
        policy=policy,
        learning=load_learning(policy),
        carryover=load_carryover(policy),
        plans=load_plan_numbers(policy),
    )
