"""What types cannot say, said in JSON Schema: closed catalogues, and rules over two members."""

from typing import Any

from service.policy.catalogue import Policies
from service.rules.context import MOST_EXERCISES

Schema = dict[str, Any]
CATALOGUED = {"exercise": "ExerciseId", "policy": "PolicyVersion"}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


def _catalogues(policies: Policies) -> dict[str, Schema]:
    data = policies.newest.data
    return {
        "ExerciseId": {
            "title": "ExerciseId",
            "description": "Catalogue id of the newest policy; later policies may add some.",
            "type": "string",
            "enum": sorted(data.exercises),
        },
        "MuscleId": {
            "title": "MuscleId",
            "description": "Muscle or muscle group by anatomical name.",
            "type": "string",
            "enum": sorted(data.muscles),
        },
        "PolicyVersion": {
            "title": "PolicyVersion",
            "description": "A released version of the numbers; none ever goes away.",
            "type": "string",
            "enum": [policy.version for policy in policies.versions],
        },
    }


def _closed(schema: Schema, name: str) -> Schema:
    """Replace the open text in `schema`, alone or beside null, by a closed catalogue."""
    if "anyOf" in schema:
        arms = [_ref(name) if arm.get("type") == "string" else arm for arm in schema["anyOf"]]
        return {**schema, "anyOf": arms}
    return {**_ref(name), "description": schema.get("description", "")}


def _order_above_count(order: str, count: str) -> list[Schema]:
    """Every way in which a place lies beyond the number of places."""
    return [
        {
            "required": [count, order],
            "properties": {
                count: {"type": "integer", "maximum": places},
                order: {"type": "integer", "minimum": places + 1},
            },
        }
        for places in range(1, MOST_EXERCISES)
    ]


def _without_shift(policies: Policies, *members: str) -> list[Schema]:
    """Members that ask a policy for a shift of the plan which it does not know."""
    old = [policy.version for policy in policies.versions if not policy.readers["plan_shift_reps"]]
    return [
        {
            "required": [member, "policy"],
            "properties": {"policy": {"enum": old}, member: {"type": ["number", "object"]}},
        }
        for member in members
    ]


def _forbidden_pairs(policies: Policies) -> Schema:
    both = {
        "required": ["exercise", "exercise_traits"],
        "properties": {"exercise": {"type": "string"}, "exercise_traits": {"type": "object"}},
    }
    orders = _order_above_count("exercise_order", "exercises_in_session")
    orders += _order_above_count("set_order", "sets_in_exercise")
    return {"anyOf": [both, *orders, *_without_shift(policies, "plan_shift_reps")]}


def _name_keys(schema: Schema, name: str) -> None:
    """Close the names of a map's members to a catalogue."""
    for arm in schema["anyOf"]:
        if "propertyNames" in arm:
            arm["propertyNames"] = _ref(name)


def with_rules(components: dict[str, Schema], policies: Policies) -> dict[str, Schema]:
    """Return `components` with catalogues closed and forbidden pairs of members ruled out."""
    ruled = {**components, **_catalogues(policies)}
    for schema in components.values():
        if schema.get("additionalProperties") is not False:
            continue  # an answer, not a request
        for member, name in CATALOGUED.items():
            if member in schema.get("properties", {}):
                schema["properties"][member] = _closed(schema["properties"][member], name)
    _name_keys(ruled["ExerciseTraits"]["properties"]["muscles"], "MuscleId")
    _name_keys(ruled["PlanLifter"]["properties"]["exposures"], "ExerciseId")
    for context in ("SetContext", "LifterSetContext"):
        ruled[context]["not"] = _forbidden_pairs(policies)
    ruled["Plan"]["not"] = {"anyOf": _without_shift(policies, "limits", "progression")}
    # an item that is no valid context gets a problem of its own, so the array takes anything
    contexts = ruled["Batch"]["properties"]["contexts"]
    contexts["items"] = {
        "anyOf": [contexts["items"], {"description": "Anything else is answered by a problem."}]
    }
    return {name: ruled[name] for name in sorted(ruled)}
