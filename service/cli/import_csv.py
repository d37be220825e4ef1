"""Rows of a CSV file: one set each, under a header in any order."""

import csv
from collections.abc import Iterable, Iterator

import msgspec

from service.api.faults import echoed
from service.api.reading import Members
from service.cli.import_rows import BadRow, Checks, OwnedSet, Row, SetRow, bad, checked
from service.errors import Fault, InputRefused, Unreadable

COLUMNS = (
    "lifter_id",
    "set_id",
    "performed_at",
    "exercise",
    "load_kg",
    "reps",
    "set_endpoint",
    "reported_rir",
    "rir_call_at_rep",
    "rir_call_reps_left",
    "prescribed_rir",
    "exercise_order",
    "set_order",
    "velocity_loss_percent",
    "note",
)
TEXT_COLUMNS = ("lifter_id", "set_id", "performed_at", "exercise", "set_endpoint", "note")
CALL_COLUMNS = {"rir_call_at_rep": "at_rep", "rir_call_reps_left": "reps_left"}
_NUMBER: msgspec.json.Decoder[int | float] = msgspec.json.Decoder(int | float)


def csv_rows(lines: Iterable[bytes], checks: Checks) -> Iterator[Row]:
    """Yield a row for each set or bad row of the lines, UTF-8 without byte order mark."""
    columns: list[str] | None = None
    for line, cells in _cells(lines):
        try:
            told = _text(cells)
            if columns is not None:
                yield _set_row(line, told, columns, checks)
                continue
            _check_header(told)
            columns = told
        except (InputRefused, Unreadable) as error:
            yield bad(line, error, "_")
        if columns is None:
            return
    if columns is None:
        yield BadRow(1, (Fault("", "the header row is missing"),))


def _cells(lines: Iterable[bytes]) -> Iterator[tuple[int, list[str] | csv.Error]]:
    """Rows that are not blank, or why one cannot be read, with the number of their first line."""
    reader = csv.reader((line.decode("utf-8", "surrogateescape") for line in lines), strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error as error:
            yield line, error
            continue
        if cells is None:
            return
        if cells:
            yield line, cells


def _text(cells: list[str] | csv.Error) -> list[str]:
    if isinstance(cells, csv.Error):
        raise Unreadable(f"is not CSV that can be read: {cells}") from cells
    try:
        "".join(cells).encode()
    except UnicodeEncodeError as error:
        raise Unreadable("is not UTF-8") from error
    return cells


def _check_header(names: list[str]) -> None:
    required = [column.encode_name for column in msgspec.structs.fields(OwnedSet) if column.required]
    wrong = {
        f"unknown columns: {{}}; known: {', '.join(COLUMNS)}": [
            echoed(name) for name in dict.fromkeys(names) if name not in COLUMNS
        ],
        "repeated columns: {}": [name for name in COLUMNS if names.count(name) > 1],
        "missing columns: {}": [name for name in COLUMNS if name in required and name not in names],
    }
    if faults := [text.format(", ".join(found)) for text, found in wrong.items() if found]:
        raise InputRefused(tuple(Fault("#", fault) for fault in faults))


def _set_row(line: int, cells: list[str], columns: list[str], checks: Checks) -> SetRow:
    if len(cells) != len(columns):
        raise InputRefused((Fault("#", f"has {len(cells)} cells, the header {len(columns)}"),))
    told: Members = {name: _value(name, cell) for name, cell in zip(columns, cells, strict=True) if cell}
    call = {member: told.pop(name) for name, member in CALL_COLUMNS.items() if name in told}
    if call:
        told["rir_call"] = call
    owned = checked(told, OwnedSet, checks.of_set)
    return SetRow(line, owned.lifter_id, owned)


def _value(column: str, cell: str) -> str | float:
    if column in TEXT_COLUMNS:
        return cell
    try:
        return _NUMBER.decode(cell)
    except msgspec.DecodeError:
        return cell  # told as it stands among the faults
