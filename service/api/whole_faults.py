"""Rules that types cannot state (catalogues, two members together), told beside the faults of types.

They run here only for requests already refused; for the others the rules themselves check.
"""

from typing import Any

from service.api.reading import Members
from service.errors import Fault, PolicyNotFound
from service.policy.catalogue import Policies
from service.rules.context import SetContext
from service.rules.estimate import unknown_exercise
from service.rules.validity import faults_of


def context_faults(members: Members, policies: Policies) -> tuple[Fault, ...]:
    """Return what is wrong with a set context of which these members are sound."""
    policy = policies.newest
    unknown: tuple[Fault, ...] = ()
    try:
        policy = policies.get(members.get("policy"))
    except PolicyNotFound as error:
        unknown = (Fault("#/policy", str(error)),)
    some_context: dict[str, Any] = {"rep_target": 1, **members}  # no rule looks at rep_target
    return (*faults_of(SetContext(**some_context), policy), *unknown)


def exercise_faults(members: Members, policies: Policies) -> tuple[Fault, ...]:
    """Return what is wrong with the exercise of an estimate."""
    exercise = members.get("exercise")
    if exercise is None or exercise in policies.newest.data.exercises:
        return ()
    return (unknown_exercise(exercise, policies.newest),)
