"""JSON Schemas of the Structs, tidied so that document and behaviour say the same."""

from inspect import cleandoc
from types import UnionType
from typing import Any, get_args, get_origin

import msgspec

REF = "#/components/schemas/{name}"


def _tidied(value: Any) -> Any:
    if isinstance(value, dict):
        return _tidied_schema({key: _tidied(entry) for key, entry in value.items()})
    if isinstance(value, list | tuple):
        return [_tidied(entry) for entry in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _tidied_schema(schema: dict[str, Any]) -> dict[str, Any]:
    # Left out of a request null is meant, and answers leave members out: generators take a default for always there.
    schema.pop("default", None)
    if isinstance(
        schema.get("description"), str
    ):  # Python 3.13 strips the indent of docstrings, older ones do not
        schema["description"] = cleandoc(schema["description"])
    pattern = schema.get("pattern")
    if isinstance(pattern, str):  # Python's \Z is everybody else's $
        schema["pattern"] = pattern.replace("\\Z", "$")
    values = schema.get("enum")
    if isinstance(values, list) and "type" not in schema and all(isinstance(v, str) for v in values):
        schema["type"] = "string"
        if len(values) == 1:
            schema["const"] = schema.pop("enum")[0]
    return schema


def schemas_for(kinds: list[Any]) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Return a schema for each of `kinds`, and the components they refer to."""
    arms = [get_args(kind) if get_origin(kind) is UnionType else (kind,) for kind in kinds]
    # msgspec knows no union of plain Structs: each arm is asked for by itself
    found, components = msgspec.json.schema_components(
        [arm for each in arms for arm in each], ref_template=REF
    )
    waiting = iter([_tidied(schema) for schema in found])
    schemas = [[next(waiting) for _ in each] for each in arms]
    joined = [each[0] if len(each) == 1 else {"anyOf": each} for each in schemas]
    return joined, {name: _tidied(components[name]) for name in sorted(components)}
