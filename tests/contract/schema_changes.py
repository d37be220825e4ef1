"""What a JSON Schema takes less of than another: the half of the comparison that knows schemas, not HTTP.

It knows the keywords the document uses, and refuses to compare any other, so that none is overlooked.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

import jsonschema

Schema = dict[str, Any]
Side = Literal["request", "answer"]

SILENT = {"title", "description", "examples", "deprecated", "$comment", "default"}
LOWEST = ("minimum", "exclusiveMinimum", "minLength", "minItems", "minProperties")
HIGHEST = ("maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties")
SAME = ("pattern", "format", "multipleOf", "uniqueItems")
SHAPES = {
    "type",
    "enum",
    "const",
    "items",
    "properties",
    "required",
    "additionalProperties",
    "propertyNames",
    "not",
}
ONE_KIND = {*SHAPES, *LOWEST, *HIGHEST, *SAME}
# Catalogues that grow with a policy, in answers too: callers are told so in the document.
GROWING = {"ExerciseId", "MuscleId", "PolicyVersion"}
REF = "#/components/schemas/"


class Arm(NamedTuple):
    """One kind of value a schema allows, and the component it stands in, if any."""

    name: str
    schema: Schema


@dataclass(frozen=True)
class Comparison:
    """Components of the released and the present document, and what was found when two of them were compared."""

    released: dict[str, Schema]
    present: dict[str, Schema]
    found: dict[tuple[str, str, Side], list[str]] = field(default_factory=dict)

    def changes(self, old: Schema, new: Schema, where: str, side: Side) -> list[str]:
        """Return what breaks a caller at `where`: requests that take less, answers that say more or leave out."""
        if side == "request" and old.get("default") != new.get("default"):
            return [
                f"{where}: left out it now means {new.get('default')!r}",
                *self._kinds(old, new, where, side),
            ]
        pair = named(old), named(new), side
        if not all(pair):
            return self._kinds(old, new, where, side)
        if pair not in self.found:
            self.found[pair] = []  # schemas may refer in circles
            self.found[pair] = self._kinds(old, new, pair[0], side)
        return self.found[pair]

    def _kinds(self, old: Schema, new: Schema, where: str, side: Side) -> list[str]:
        """Requests: each kind of value that was taken still is. Answers: each kind answered was answered before."""
        before, now = list(arms(old, self.released)), list(arms(new, self.present))
        narrow, wide = (before, now) if side == "request" else (now, before)
        return [line for arm in narrow for line in self._covered(arm, wide, where, side)]

    def _covered(self, narrow: Arm, wide: list[Arm], where: str, side: Side) -> list[str]:
        if side == "answer" and narrow.name in GROWING and narrow.name in {arm.name for arm in wide}:
            return []
        same = [arm for arm in wide if arm.name and arm.name == narrow.name]
        where = narrow.name if same else where  # told once, however many places refer to it
        fitting = same or [arm for arm in wide if _same_kind(arm.schema, narrow.schema)]
        if not fitting:
            kinds = [arm.name or str(arm.schema.get("type", "anything")) for arm in wide]
            return [_told(where, side, narrow.name or str(narrow.schema.get("type", "anything")), kinds)]
        return min((self._within(arm.schema, narrow.schema, where, side) for arm in fitting), key=len)

    def _within(self, wide: Schema, narrow: Schema, where: str, side: Side) -> list[str]:
        """Return why `wide`, which is of the same kind, does not take all that `narrow` allows."""
        if side == "answer" and wide.get("additionalProperties") is False:
            # What a caller sent, told back: it takes as much as requests do, where it is compared.
            gone = wide.get("properties", {}).keys() - narrow.get("properties", {}).keys()
            return [_removed(where, name, side) for name in sorted(gone)]
        if (listed := choices(narrow)) is not None:
            return _values(wide, listed, where, side)
        found = [_told(where, side, "other values", choices(wide))] if choices(wide) is not None else []
        found += [*_bounds(wide, narrow, where, side), *_same(wide, narrow, where, side)]
        found += _forbidden(wide, narrow, where, side)
        for keyword, step in (("items", "[]"), ("propertyNames", "{name}"), ("additionalProperties", "{}")):
            inner, other = wide.get(keyword), narrow.get(keyword)
            if isinstance(inner, dict):
                either = in_time(inner, other if isinstance(other, dict) else {}, side)
                found += self.changes(*either, f"{where}{step}", side)
        return found + self._members(*in_time(wide, narrow, side), where, side)

    def _members(self, old: Schema, new: Schema, where: str, side: Side) -> list[str]:
        before, now = old.get("properties", {}), new.get("properties", {})
        found = [_removed(where, name, side) for name in sorted(before.keys() - now.keys())]
        for name in sorted(before.keys() & now.keys()):
            found += self.changes(before[name], now[name], f"{where}.{name}", side)
        must_before, must_now = set(old.get("required", ())), set(new.get("required", ()))
        if side == "request":
            found += [f"{where}.{name}: required in requests" for name in sorted(must_now - must_before)]
            if (
                new.get("additionalProperties") is False
                and old.get("additionalProperties", True) is not False
            ):
                found.append(f"{where}: unknown members are refused in requests")
        else:
            left = (must_before - must_now) & now.keys()
            found += [f"{where}.{name}: may be missing from answers" for name in sorted(left)]
        return found


def named(schema: Schema) -> str:
    """Return the component a schema refers to, or nothing."""
    return str(schema.get("$ref", "")).removeprefix(REF)


def arms(schema: Schema, components: dict[str, Schema], name: str = "") -> Iterator[Arm]:
    """Yield what a value may be, one kind at a time, references followed. Raises ValueError at an unknown keyword."""
    words = schema.keys() - SILENT
    if words == {"$ref"}:
        yield from arms(components[named(schema)], components, named(schema))
    elif words == {"anyOf"}:
        for arm in schema["anyOf"]:
            yield from arms(arm, components, name)
    elif unknown := words - ONE_KIND:
        raise ValueError(
            f"the comparison does not know {sorted(unknown)} together with {sorted(words - unknown)}"
        )
    elif isinstance(schema.get("type"), list):
        for kind in schema["type"]:
            yield Arm(name, {**schema, "type": kind})
    else:
        yield Arm(name, schema)


def choices(schema: Schema) -> list[Any] | None:
    """Return the values a schema lists, or None when it lists none."""
    return [schema["const"]] if "const" in schema else schema.get("enum")


def in_time(wide: Schema, narrow: Schema, side: Side) -> tuple[Schema, Schema]:
    """Return the released one first: requests may grow wider, answers narrower."""
    return (narrow, wide) if side == "request" else (wide, narrow)


def _same_kind(wide: Schema, narrow: Schema) -> bool:
    kinds = wide.get("type"), narrow.get("type")
    return kinds[0] is None or kinds[0] == kinds[1] or kinds == ("number", "integer")


def _told(where: str, side: Side, beyond: object, limit: object) -> str:
    """Say what breaks: `beyond` is not within `limit`."""
    if side == "request":
        return f"{where}: requests took {beyond}, now {limit}"
    return f"{where}: answers now have {beyond}, before {limit}"


def _removed(where: str, name: str, side: Side) -> str:
    return f"{where}.{name}: removed from {side}s"


def _values(wide: Schema, values: list[Any], where: str, side: Side) -> list[str]:
    validator = jsonschema.Draft202012Validator(wide)
    return [_told(where, side, repr(value), "not") for value in values if not validator.is_valid(value)]


def _bounds(wide: Schema, narrow: Schema, where: str, side: Side) -> list[str]:
    found = []
    for keywords, sign in ((LOWEST, 1), (HIGHEST, -1)):
        for keyword in keywords:
            if keyword in wide and not _held(keyword, wide[keyword], narrow, sign):
                other = narrow.get(keyword, "none")
                found.append(_told(where, side, f"{keyword} {other}", f"{keyword} {wide[keyword]}"))
    return found


def _held(keyword: str, bound: float, narrow: Schema, sign: int) -> bool:
    """Whether every value of `narrow` keeps to the bound; an exclusive one is kept by a bound beyond it as well."""
    inclusive = keyword.replace("exclusiveM", "m")
    exclusive = "exclusiveM" + inclusive[1:]
    same = {keyword, exclusive} & narrow.keys()
    if any(sign * narrow[name] >= sign * bound for name in same):
        return True
    return inclusive in narrow and inclusive != keyword and sign * narrow[inclusive] > sign * bound


def _same(wide: Schema, narrow: Schema, where: str, side: Side) -> list[str]:
    """Which patterns and formats are wider than others nobody can tell: any change counts, but for one taken away."""
    return [
        _told(where, side, f"{keyword} {narrow.get(keyword, 'any')}", f"{keyword} {wide[keyword]}")
        for keyword in SAME
        if keyword in wide and wide[keyword] != narrow.get(keyword)
    ]


def _forbidden(wide: Schema, narrow: Schema, where: str, side: Side) -> list[str]:
    before = _ruled_out(narrow)
    return [_told(where, side, rule, "ruled out") for rule in _ruled_out(wide) if rule not in before]


def _ruled_out(schema: Schema) -> list[Any]:
    rule = schema.get("not")
    return [] if rule is None else rule.get("anyOf", [rule])
