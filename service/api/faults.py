"""Every fault of a decoded value against a Struct, as JSON Pointers with words that help.

msgspec stops at the first fault; this walks value and type together. It runs only for requests already refused.
"""

import re
from collections.abc import Iterator
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints
from uuid import UUID

import msgspec
from msgspec import Meta, Struct

from service.errors import Fault

MOST_ECHOED = 60
_UNIT = re.compile(r"\[([^\]]+)\]")


def pointer_to(parent: str, member: str | int) -> str:
    """Return the JSON Pointer fragment of a member (RFC 6901 escapes inside)."""
    return f"{parent}/{str(member)[:MOST_ECHOED].replace('~', '~0').replace('/', '~1')}"


def published(pattern: str) -> str:
    """Return a pattern as other languages read it: Python's end anchor is everybody else's `$`."""
    return pattern.replace("\\Z", "$")


def echoed(value: object) -> str:
    """Return a short form of what was sent, safe to show."""
    text = msgspec.json.encode(value).decode("utf-8", "replace") if not isinstance(value, bytes) else "bytes"
    return text if len(text) <= MOST_ECHOED else text[: MOST_ECHOED - 3] + "..."


def _peeled(annotation: Any) -> tuple[Any, list[Meta], bool]:
    """Bare type, its constraints, and whether null is allowed."""
    metas: list[Meta] = []
    nullable = False
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *extra = get_args(annotation)
            metas += [meta for meta in extra if isinstance(meta, Meta)]
        elif get_origin(annotation) in (Union, UnionType):
            arms = [arm for arm in get_args(annotation) if arm is not NoneType]
            nullable = nullable or len(arms) < len(get_args(annotation))
            if len(arms) != 1:
                return annotation, metas, nullable
            annotation = arms[0]
        else:
            return annotation, metas, nullable


def struct_in(annotation: Any) -> type[Struct] | None:
    """Return the Struct `annotation` takes; None when it takes something else."""
    kind, _, _ = _peeled(annotation)
    return kind if isinstance(kind, type) and issubclass(kind, Struct) else None


def is_map(annotation: Any) -> bool:
    """Whether `annotation` takes an object with names of the caller's own."""
    return get_origin(_peeled(annotation)[0]) is dict


def is_sound(value: Any, annotation: Any) -> bool:
    """Whether `annotation` takes `value` as it is."""
    try:
        msgspec.convert(value, annotation, strict=True)
    except (msgspec.ValidationError, OverflowError):
        return False
    return True


def entry_of_array(annotation: Any) -> Any:
    """Return what an array of `annotation` holds; None when it is no array."""
    kind, _, _ = _peeled(annotation)
    return get_args(kind)[0] if get_origin(kind) in (list, tuple) else None


def struct_in_array(annotation: Any) -> type[Struct] | None:
    """Return the Struct an array of `annotation` holds; None when it is no array of Structs."""
    return struct_in(entry_of_array(annotation))


def _bound(metas: list[Meta], *names: str) -> Any:
    return next(
        (found for meta in metas for name in names if (found := getattr(meta, name)) is not None), None
    )


def _range_text(metas: list[Meta], kind: str) -> str:
    low, above = _bound(metas, "ge"), _bound(metas, "gt")
    high = _bound(metas, "le", "lt")
    text = kind
    if above is not None:
        text += f" above {above:g}"
    elif low is not None:
        text += f" from {low:g}"
    if high is not None:
        text += f" to {high:g}" if low is not None or above is not None else f" up to {high:g}"
    described = " ".join(meta.description or "" for meta in metas)
    unit = _UNIT.search(described)
    return f"must be {text}{f' [{unit[1]}]' if unit else ''}"


def _outside(value: float, metas: list[Meta]) -> bool:
    low, above = _bound(metas, "ge"), _bound(metas, "gt")
    high, below = _bound(metas, "le"), _bound(metas, "lt")
    return bool(
        (low is not None and value < low)
        or (above is not None and value <= above)
        or (high is not None and value > high)
        or (below is not None and value >= below)
    )


def _number_faults(value: Any, kind: type, metas: list[Meta], at: str) -> Iterator[Fault]:
    whole = kind is int
    text = _range_text(metas, "a whole number" if whole else "a number")
    right = isinstance(value, int | float) and not isinstance(value, bool)
    if not right or (whole and value != int(value)) or _outside(value, metas):
        yield Fault(at, f"{text}, not {echoed(value)}")


def _text_faults(value: Any, metas: list[Meta], at: str) -> Iterator[Fault]:
    if not isinstance(value, str):
        yield Fault(at, f"must be text, not {echoed(value)}")
        return
    most, least, pattern = (_bound(metas, name) for name in ("max_length", "min_length", "pattern"))
    if (most is not None and len(value) > most) or (least is not None and len(value) < least):
        told = f"at most {most}" if least is None else f"{least} to {most}"
        yield Fault(at, f"must have {told} characters, not {len(value)}")
    elif pattern is not None and re.search(pattern, value) is None:
        told = (_bound(metas, "extra") or {}).get("told", f"text that matches {published(pattern)}")
        yield Fault(at, f"must be {told}, not {echoed(value)}")


def _array_faults(value: Any, item: Any, metas: list[Meta], at: str) -> Iterator[Fault]:
    if not isinstance(value, list | tuple):
        yield Fault(at, f"must be an array, not {echoed(value)}")
        return
    most, least = _bound(metas, "max_length"), _bound(metas, "min_length") or 0
    if len(value) < least or (most is not None and len(value) > most):
        yield Fault(at, f"must have {least} to {most} entries, not {len(value)}")
    for index, entry in enumerate(value):
        if not is_sound(entry, item):  # tens of thousands of sound entries cost next to nothing
            yield from faults_in(entry, item, pointer_to(at, index))


def _map_faults(value: Any, kinds: tuple[Any, Any], metas: list[Meta], at: str) -> Iterator[Fault]:
    if not isinstance(value, dict):
        yield Fault(at, f"must be an object, not {echoed(value)}")
        return
    most = _bound(metas, "max_length")
    if most is not None and len(value) > most:
        yield Fault(at, f"must have at most {most} members, not {len(value)}")
    for key, entry in value.items():
        yield from (
            Fault(pointer_to(at, key), f"name {fault.detail}") for fault in faults_in(key, kinds[0], at)
        )
        yield from faults_in(entry, kinds[1], pointer_to(at, key))


def _struct_faults(value: Any, kind: type[Struct], at: str) -> Iterator[Fault]:
    if not isinstance(value, dict):
        yield Fault(at, f"must be an object, not {echoed(value)}")
        return
    hints = get_type_hints(kind, include_extras=True)
    fields = msgspec.structs.fields(kind)
    known = {field.encode_name for field in fields}
    told = f"; known: {', '.join(sorted(known))}"  # once: a thousand bad members would repeat it a thousand times
    for name in value:
        if name not in known:
            yield Fault(pointer_to(at, name), f"unknown member{told}")
            told = ""
    for field in fields:
        if field.encode_name in value:
            yield from faults_in(
                value[field.encode_name], hints[field.name], pointer_to(at, field.encode_name)
            )
        elif field.required:
            yield Fault(pointer_to(at, field.encode_name), "is required")


def _uuid_faults(value: Any, at: str) -> Iterator[Fault]:
    try:
        msgspec.convert(value, UUID)
    except msgspec.ValidationError:
        yield Fault(at, f"must be a UUID, not {echoed(value)}")


def _literal_faults(value: Any, kind: Any, at: str) -> Iterator[Fault]:
    if value not in get_args(kind) or isinstance(value, bool):
        yield Fault(at, f"must be one of {', '.join(map(str, get_args(kind)))}, not {echoed(value)}")


def _flag_faults(value: Any, at: str) -> Iterator[Fault]:
    if not isinstance(value, bool):
        yield Fault(at, f"must be true or false, not {echoed(value)}")


def _plain_faults(value: Any, kind: Any, metas: list[Meta], at: str) -> Iterator[Fault]:
    if kind is bool:
        yield from _flag_faults(value, at)
    elif kind in (int, float):
        yield from _number_faults(value, kind, metas, at)
    elif kind is str:
        yield from _text_faults(value, metas, at)
    elif kind is UUID:
        yield from _uuid_faults(value, at)
    elif isinstance(kind, type) and issubclass(kind, Struct):
        yield from _struct_faults(value, kind, at)


def faults_in(value: Any, annotation: Any, at: str = "#") -> Iterator[Fault]:
    """Yield every fault of `value` (builtins) against `annotation`, `at` being its JSON Pointer."""
    kind, metas, nullable = _peeled(annotation)
    if value is None and nullable:
        return
    origin = get_origin(kind)
    if origin in (list, tuple):
        yield from _array_faults(value, get_args(kind)[0], metas, at)
    elif origin is dict:
        yield from _map_faults(value, get_args(kind), metas, at)
    elif origin is Literal:
        yield from _literal_faults(value, kind, at)
    else:
        yield from _plain_faults(value, kind, metas, at)
