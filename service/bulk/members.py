"""Which columns a file may have: the members of a set context, nested ones with a dot, and what others are carried."""

import difflib
from collections.abc import Callable, Iterable
from typing import NamedTuple

import pyarrow as pa
from msgspec import Struct, inspect
from pyarrow import types as is_type

from service.errors import Fault, InputRefused
from service.rules.context import SetContext


class Kind(NamedTuple):
    """What a column holds: in words, and whether an Arrow type will do."""

    told: str
    fits: Callable[[pa.DataType], bool]


def _is_number(kind: pa.DataType) -> bool:
    return bool(
        is_type.is_integer(kind)
        or is_type.is_float32(kind)
        or is_type.is_float64(kind)
        or is_type.is_null(kind)
    )


def _is_flag(kind: pa.DataType) -> bool:
    return bool(is_type.is_boolean(kind) or is_type.is_null(kind))


def _is_text(kind: pa.DataType) -> bool:
    if is_type.is_dictionary(kind):
        return _is_text(kind.value_type)
    return bool(is_type.is_string(kind) or is_type.is_large_string(kind) or is_type.is_null(kind))


def _is_texts(kind: pa.DataType) -> bool:
    listed = is_type.is_list(kind) or is_type.is_large_list(kind)
    return bool(is_type.is_null(kind) or (listed and _is_text(kind.value_type)))


def _is_shares(kind: pa.DataType) -> bool:
    mapped = is_type.is_map(kind)
    return bool(is_type.is_null(kind) or (mapped and _is_text(kind.key_type) and _is_number(kind.item_type)))


NUMBER = Kind("numbers", _is_number)
FLAG = Kind("true or false", _is_flag)
TEXT = Kind("text", _is_text)
TEXTS = Kind("lists of text", _is_texts)
SHARES = Kind("maps of text to numbers", _is_shares)


def _told_type(kind: inspect.Type) -> inspect.Type:
    """The type of a member without the null that stands for leaving it out."""
    if isinstance(kind, inspect.Metadata):
        return _told_type(kind.type)
    if isinstance(kind, inspect.UnionType):
        return _told_type(next(arm for arm in kind.types if not isinstance(arm, inspect.NoneType)))
    return kind


_KINDS: dict[type[inspect.Type], Kind] = {
    inspect.IntType: NUMBER,
    inspect.FloatType: NUMBER,
    inspect.BoolType: FLAG,
    inspect.StrType: TEXT,
    inspect.LiteralType: TEXT,
    inspect.VarTupleType: TEXTS,
    inspect.DictType: SHARES,
}


def _members(struct: type[Struct]) -> dict[str, inspect.Type]:
    told = inspect.type_info(struct)
    fields = told.fields if isinstance(told, inspect.StructType) else ()
    return {field.encode_name: _told_type(field.type) for field in fields}


MEMBERS: dict[str, inspect.Type] = {}
NESTED: dict[str, tuple[str, ...]] = {}
for _name, _type in _members(SetContext).items():
    if isinstance(_type, inspect.StructType):
        _inner = _members(_type.cls)
        NESTED[_name] = tuple(_inner)
        MEMBERS |= {f"{_name}.{inner}": kind for inner, kind in _inner.items()}
    else:
        MEMBERS[_name] = _type

KINDS = {name: _KINDS[type(kind)] for name, kind in MEMBERS.items()}
BIASES = tuple(name for name in MEMBERS if name.startswith("reporting_bias."))
TEXT_COLUMNS = tuple(name for name, kind in KINDS.items() if kind is TEXT)

_ALIKE = 0.8


class Layout(NamedTuple):
    """Columns of an input that are members, and those carried through, in the order of the file."""

    members: tuple[str, ...]
    carried: tuple[str, ...]


def _near(name: str) -> str | None:
    """The member that `name` looks like a slip of, None when it looks like none."""
    plain = name.strip().lower().replace("-", "_").replace(" ", "_")
    found = difflib.get_close_matches(plain, (*KINDS, *NESTED), n=1, cutoff=_ALIKE)
    return found[0] if found else None


def _member_fault(field: pa.Field) -> Fault | None:
    name = field.name
    if name in NESTED:
        return None if is_type.is_struct(field.type) else Fault(name, "must be a struct", "column")
    kind = KINDS[name]
    if kind.fits(field.type):
        return None
    return Fault(name, f"must hold {kind.told}, not {field.type}", "column")


def _strange(field: pa.Field) -> list[Fault]:
    """Faults of the members of a struct."""
    return [
        Fault(
            f"{field.name}.{inner.name}", f"unknown member; known: {', '.join(NESTED[field.name])}", "column"
        )
        for inner in (field.type if is_type.is_struct(field.type) else ())
        if inner.name not in NESTED[field.name]
    ]


def _other_fault(name: str, kept: frozenset[str], taken: frozenset[str]) -> Fault | None:
    if name in taken:
        return Fault(name, "is the name of an answer's column; rename it", "column")
    near = None if name in kept else _near(name)
    if near is None:
        return None
    return Fault(name, f"is no member; did you mean {near}? Carry it through with --keep {name}", "column")


def layout_of(schema: pa.Schema, keep: Iterable[str], taken: Iterable[str]) -> Layout:
    """Return what the columns of a file are. Raises InputRefused with every column that will not do.

    `keep` names columns that are carried through though they look like a slip of a member; `taken` are the names of
    the answer's columns.
    """
    kept, busy = frozenset(keep), frozenset(taken)
    faults = [
        Fault(name, "is not a column of the file", "column") for name in sorted(kept - set(schema.names))
    ]
    faults += [Fault(n, "stands there twice", "column") for n in sorted(_repeated(schema))]
    flat = _flat_fields(schema)
    for field in schema:
        if field.name in NESTED:
            faults += _strange(field)
        elif field.name not in KINDS and (fault := _other_fault(field.name, kept, busy)):
            faults.append(fault)
    faults += [fault for field in flat if field.name in KINDS and (fault := _member_fault(field))]
    faults += [fault for field in schema if field.name in NESTED and (fault := _member_fault(field))]
    if "rep_target" not in schema.names:
        faults.append(Fault("rep_target", "is required", "column"))
    if faults:
        raise InputRefused(tuple(faults))
    return Layout(
        members=tuple(field.name for field in flat if field.name in KINDS),
        carried=tuple(name for name in schema.names if name not in KINDS and name not in NESTED),
    )


def _repeated(schema: pa.Schema) -> set[str]:
    names = [field.name for field in _flat_fields(schema)]
    return {name for name in names if names.count(name) > 1}


def _flat_fields(schema: pa.Schema) -> list[pa.Field]:
    """Return the fields with structs that are members taken apart, named with a dot."""
    found: list[pa.Field] = []
    for field in schema:
        if field.name in NESTED and is_type.is_struct(field.type):
            found += [pa.field(f"{field.name}.{inner.name}", inner.type) for inner in field.type]
        else:
            found.append(field)
    return found


def flattened(batch: pa.RecordBatch) -> dict[str, pa.Array]:
    """Return the columns by name, structs that are members taken apart, named with a dot."""
    found: dict[str, pa.Array] = {}
    for name, column in zip(batch.schema.names, batch.columns, strict=True):
        if name in NESTED and is_type.is_struct(column.type):
            inner = (f"{name}.{each.name}" for each in column.type)
            found.update(zip(inner, column.flatten(), strict=True))
        else:
            found[name] = column
    return found
