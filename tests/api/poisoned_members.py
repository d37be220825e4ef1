"""Hostile bodies made for each route that takes a body: a valid one, poisoned at one member after the other.

Routes, members, and whether a value is valid there come from the document, so that no route is left out.
"""

import json
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from typing import Any, NamedTuple
from uuid import UUID

import jsonschema

from service.api.document import DOCUMENT_PATH

DOCUMENT: dict[str, Any] = json.loads(DOCUMENT_PATH.read_text("utf-8"))
PATHS = {
    "lifter_id": "hostile-1",
    "set_id": str(UUID(int=1)),
    "key_id": "abcdefghjkmn",
    "site": "harbour street",
    "entry_id": str(UUID(int=2)),
    "key": "LAS22",
    "slug": "not-found",
    "version": "2026-11-25",
}
ALL_POISONED = 10  # up to so many members each gets every poison; of more, each gets a share of them
Place = tuple[str | int, ...]

POISONS: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    0.5,
    -0.001,
    1e-320,
    1e308,
    -1e308,
    2**31,
    -(2**31) - 1,
    2**53 + 1,
    2**63,
    -(2**63),
    2**64 - 1,
    10**400,
    -(10**400),
    [],
    {},
    [[]],
    [None],
    [True, "a", {}],
    [0] * 1001,
    {"": 1},
    {"__proto__": {"polluted": True}},
    {"$ref": "#/components/schemas/Problem"},
    {"a": {"b": {"c": []}}},
    "",
    " ",
    "8",
    " 8",
    "1e2",
    "0x10",
    "NaN",
    "Infinity",
    "null",
    "true",
    "\u0000",
    "a\u0000b",
    "\u202e\u2066",
    "\ufeff",
    "\uffff",
    "\U0001f3cb" * 300,
    "e\u0301" * 300,
    "\u0661\u0662",  # twelve, in digits that int() takes
    "\uff11\uff12",
    "a" * 65,
    "a" * 501,
    "a" * 70_000,
    "%s%s%n",
    "%00",
    "../../../../etc/hostname",
    "'; DROP TABLE performed_sets; --",
    "' OR 1=1 --",
    "<script>alert(1)</script>",
    "${jndi:ldap://127.0.0.1/a}",
    "{{7*7}}",
    "\r\nSet-Cookie: a=b",
    "leg_press\n",
    "LEG_PRESS",
    "00000000-0000-0000-0000-00000000000g",
    "2024-03-04",
    "2024-02-30T00:00:00Z",
    "2024-12-31T23:59:60Z",
    "2024-03-04T24:00:00Z",
    "2024-03-04 18:00:00Z",
    "2024-03-04T18:00:00",
    "2024-03-04T18:00:00+99:99",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00",
    1_700_000_000,
)
ADDED = ("tenant_id", "scopes", "lifter", "__proto__", "", " ", "\u0000", "a/b~c", "\U0001f3cb", "m" * 5000)


class Route(NamedTuple):
    """An operation with a body: its id, method and address, and a body it takes."""

    operation_id: str
    method: str
    address: str
    schema: dict[str, Any]
    valid: Any


class Poisoned(NamedTuple):
    """A body, and whether the document calls it valid all the same."""

    value: Any
    is_valid: bool


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield path, method and operation of everything the document holds."""
    for place, item in DOCUMENT["paths"].items():
        for method, operation in item.items():
            yield place, method, operation


def address_of(place: str) -> str:
    """Return an address for a path of the document; a new part of a path needs a value in PATHS."""
    return place.format_map(PATHS)


def routes() -> list[Route]:
    """Return every operation that takes a body; each has a body that is taken, its first example."""
    found = []
    for place, method, operation in operations():
        if "requestBody" in operation:
            content = operation["requestBody"]["content"]["application/json"]
            valid = next(iter(content["examples"].values()))["value"]
            found.append(
                Route(operation["operationId"], method.upper(), address_of(place), content["schema"], valid)
            )
    return found


def _resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """Return what a schema says of an object or array, behind a reference or beside null."""
    while True:
        if "$ref" in schema:
            schema = DOCUMENT["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
        elif arms := [arm for arm in schema.get("anyOf", ()) if arm.get("type") != "null"]:
            schema = arms[0]
        else:
            return schema


def places(schema: dict[str, Any], at: Place = ()) -> Iterator[Place]:
    """Yield the place of every member at any depth, of arrays that of the first entry."""
    schema = _resolved(schema)
    for name, member in schema.get("properties", {}).items():
        yield (*at, name)
        yield from places(member, (*at, name))
    if "items" in schema:
        yield (*at, 0)
        yield from places(schema["items"], (*at, 0))


def _with(value: Any, at: Place, poison: Any) -> Any:
    """Return `value` with `poison` at the place; what lies on the way is made."""
    if not at:
        return poison
    name, rest = at[0], at[1:]
    if isinstance(name, int):
        entries = list(value) if isinstance(value, list) and value else [None]
        return [_with(entries[0], rest, poison), *entries[1:]]
    members = value if isinstance(value, dict) else {}
    return {**members, name: _with(members.get(name), rest, poison)}


def _without(value: Any, name: str) -> Any:
    return {member: entry for member, entry in value.items() if member != name}


def _made(route: Route) -> Iterator[Any]:
    yield from POISONS
    for name in _resolved(route.schema).get("required", ()):
        yield _without(route.valid, name)
    every = list(places(route.schema))
    step = 1 + len(every) // ALL_POISONED
    for number, at in enumerate(every):
        for poison in POISONS[number % step :: step]:
            yield _with(route.valid, at, poison)
    for at in dict.fromkeys([(), *(at[:-1] for at in every)]):
        for name in ADDED:
            yield _with(route.valid, (*at, name), 1)


@cache
def poisoned(operation_id: str) -> tuple[Poisoned, ...]:
    """Return the hostile bodies of a route, each once, and what the document says of each."""
    route = next(route for route in routes() if route.operation_id == operation_id)
    validator = jsonschema.Draft202012Validator(
        {**route.schema, "components": DOCUMENT["components"]},
        format_checker=jsonschema.FormatChecker(("uuid",)),
    )
    validator.validate(route.valid)
    different = {json.dumps(value): value for value in _made(route)}
    return tuple(Poisoned(deepcopy(value), validator.is_valid(value)) for value in different.values())
