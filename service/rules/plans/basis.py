"""The numbers a plan is prescribed with, together."""

from msgspec import Struct

from service.rules.carryover.numbers import CarryOver
from service.rules.compiled import Policy
from service.rules.learning.numbers import Learning
from service.rules.plans.numbers import PlanNumbers


class PlanBasis(Struct, frozen=True, kw_only=True):
    """Policy of the single sets, and the numbers of learning, carry-over and plans."""

    policy: Policy
    learning: Learning
    carryover: CarryOver
    plans: PlanNumbers
