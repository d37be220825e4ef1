"""JSON Schemas of the Structs, tidied so that document and behaviour say the same."""

from typing import Any

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
    found, components = msgspec.json.schema_components(kinds, ref_template=REF)
    return [_tidied(schema) for schema in found], {
        name: _tidied(components[name]) for name in sorted(components)
    }
