"""Rules that types cannot state (catalogues, two members together), told beside the faults of types.

They run here only for requests already refused; for the others the rules themselves check.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from msgspec.structs import asdict

from service.api.clock import now
from service.api.faults import pointer_to
from service.api.reading import Members
from service.errors import Fault, PolicyNotFound
from service.policy.catalogue import Policies
from service.rules.context import ExerciseTraits, SetContext
from service.rules.estimate import unknown_exercise
from service.rules.learning.checks import faults_of_set
from service.rules.plans.validity import faults_of_plan
from service.rules.validity import faults_of


def context_faults(members: Members, policies: Policies) -> tuple[Fault, ...]:
    """Return what is wrong with a set context of which these members are sound."""
    policy = policies.newest
    unknown: tuple[Fault, ...] = ()
    try:
        policy = policies.get(members.get("policy"))
    except PolicyNotFound as error:
        unknown = (Fault("#/policy", str(error)),)
    told = {
        name: members[name]
        for name in SetContext.__struct_fields__
        if name in members and not isinstance(members[name], dict)  # of what is broken no rule can tell
    }
    traits = members.get("exercise_traits")
    if isinstance(traits, dict):
        told["exercise_traits"] = ExerciseTraits(**{"joints": "multi", **traits})  # no rule looks at joints
    some_context: dict[str, Any] = {"rep_target": 1, **told}  # no rule looks at rep_target
    return (*faults_of(SetContext(**some_context), policy), *unknown)


def exercise_faults(members: Members, policies: Policies) -> tuple[Fault, ...]:
    """Return what is wrong with the exercise of an estimate."""
    exercise = members.get("exercise")
    if exercise is None or exercise in policies.newest.data.exercises:
        return ()
    return (unknown_exercise(exercise, policies.newest),)


def set_faults(members: Members, policies: Policies, path: Mapping[str, str]) -> Iterator[Fault]:
    """Yield what is wrong with a performed set of which these members are sound, meant for the id in the path."""
    if members.get("set_id") and str(members["set_id"]) != path["set_id"].lower():
        yield Fault("#/set_id", "must be the set_id of the path, or left out")
    yield from faults_of_set(members, policies.newest, now())


def plan_faults(members: Members, policies: Policies) -> Iterator[Fault]:
    """Yield what is wrong with a plan of which these members are sound."""
    policy = policies.newest
    try:
        policy = policies.get(members.get("policy"))
    except PolicyNotFound as error:
        yield Fault("#/policy", str(error))
    yield from faults_of_plan(members, policy)


def batch_faults(members: Members, policies: Policies) -> Iterator[Fault]:
    """Yield what is wrong with the sets of a batch: whole sets, or the sound members of each."""
    instant = now()
    for index, each in enumerate(members.get("sets", ())):
        told = each if isinstance(each, dict) else asdict(each)
        yield from faults_of_set(told, policies.newest, instant, pointer_to(pointer_to("#", "sets"), index))
