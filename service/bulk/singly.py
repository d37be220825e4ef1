"""Rows by themselves, through the API's own code: what is in doubt, what is refused and why, and texts."""

from datetime import date, datetime, time
from functools import partial
from math import isfinite
from typing import Any

import msgspec
import pyarrow as pa

from service.api.prescriptions import prescribed
from service.api.reading import valid
from service.api.whole_faults import context_faults
from service.bulk.columns import Columns
from service.bulk.members import NESTED
from service.errors import Fault, InputRefused
from service.policy.catalogue import Policies
from service.rules.answer import Prescription
from service.rules.context import SetContext

Context = dict[str, Any]


def _value(column: pa.Array, row: int) -> Any:
    found = column[row].as_py()
    return dict(found) if isinstance(column.type, pa.MapType) and found is not None else found


def context_at(columns: Columns, row: int) -> Context:
    """Return one row's members as the API would be sent them: null is left out, nested ones are together."""
    found: Context = {}
    for name, column in columns.items():
        value = _value(column, row)
        if value is None:
            continue
        outer, _, inner = name.partition(".")
        if outer in NESTED:
            found.setdefault(outer, {})[inner] = value
        else:
            found[name] = value
    return found


def _not_numbers(value: Any, at: str) -> list[Fault]:
    """Faults of what a column can hold and JSON cannot."""
    if isinstance(value, dict):
        return [fault for name, each in value.items() for fault in _not_numbers(each, f"{at}/{name}")]
    if isinstance(value, float) and not isfinite(value):
        return [Fault(at, "must be a number, not NaN or Infinity; leave it null where it is not known")]
    return []


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        kept = {name: _finite(each) for name, each in value.items()}
        return {name: each for name, each in kept.items() if each is not None}
    return None if isinstance(value, float) and not isfinite(value) else value


def prescribed_at(context: Context, version: str, policies: Policies) -> Prescription:
    """Return the answer the API gives to one row; a row that pins no policy is answered by `version`.

    Raises InputRefused with the faults the API tells.
    """
    strange = _not_numbers(context, "#")
    sent = _finite(context) if strange else context
    try:
        told = valid({"policy": version} | sent, SetContext, partial(context_faults, policies=policies))
        found = prescribed(told, "full", policies)
    except InputRefused as error:
        told_of = {fault.place for fault in strange}
        others = tuple(fault for fault in error.faults if fault.place not in told_of)
        raise InputRefused((*strange, *others)) from error
    if strange:
        raise InputRefused(tuple(strange))
    if not isinstance(found, Prescription):
        raise TypeError("a full prescription was asked for")
    return found


def _plain(value: Any) -> Any:
    """What JSON has no form for, as text."""
    if isinstance(value, float) and not isfinite(value):
        return str(value)
    if isinstance(value, dict):
        return {str(name): _plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if value is None or isinstance(value, str | int | float | bytes | datetime | date | time):
        return value
    return str(value)


def refused_line(row: int, faults: tuple[Fault, ...], context: Context, carried: Context) -> bytes:
    """Return a line of the side file: number of the row, every fault, the row itself."""
    errors = [{"pointer": fault.place, "detail": fault.detail} for fault in faults]
    told = {"row": row, "errors": errors, "context": _plain(context), "carried": _plain(carried)}
    return msgspec.json.encode(told) + b"\n"
