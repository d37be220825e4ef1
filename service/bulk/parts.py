"""Where answers go: part files that are there whole or not at all, and a note of each unit that is done."""

import os
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import BinaryIO
from uuid import uuid4

import msgspec
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq
from msgspec import Struct

from service.bulk.answers import ROW
from service.bulk.sources import Form

DONE, REFUSED = "_done", "_refused"
_UNFINISHED = ".unfinished"


class Done(Struct, frozen=True, kw_only=True):
    """What became of one unit: rows answered, of those without a target, rows refused."""

    unit: int
    part: str
    answered: int
    withheld: int
    refused: int


def sync_folder(folder: Path) -> None:
    """Make names in `folder` last through a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A file that gets its name only when it is whole and on the disk; what had the name before is replaced."""
    # two workers may be at the same unit, one of them given up for dead: each writes a file of its own
    unfinished = path.with_name(f"{path.name}.{uuid4().hex}{_UNFINISHED}")
    try:
        with unfinished.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
        sync_folder(path.parent)
    finally:
        unfinished.unlink(missing_ok=True)


def clear_unfinished(out: Path) -> None:
    """Delete what a run that died left half written."""
    for folder in (out, out / DONE, out / REFUSED):
        for path in folder.glob(f"*{_UNFINISHED}"):
            path.unlink(missing_ok=True)


def part_name(unit: int, form: Form) -> str:
    """Return the name of a unit's part file."""
    return f"part-{unit:05}.{form}"


def done_path(out: Path, unit: int) -> Path:
    """Return where the note of a unit that is done stands."""
    return out / DONE / f"{unit:05}.json"


def done_units(out: Path) -> dict[int, Done]:
    """Return the notes of all units that are done and whose part is there."""
    notes = [
        msgspec.json.decode(path.read_bytes(), type=Done) for path in sorted((out / DONE).glob("*.json"))
    ]
    return {note.unit: note for note in notes if (out / note.part).exists()}


def write_parquet(file: BinaryIO, tables: Iterable[pa.Table], schema: pa.Schema) -> None:
    """Write tables as row groups."""
    numbers = [field.name for field in schema if not pa.types.is_dictionary(field.type)]
    texts = [field.name for field in schema if field.name not in numbers]
    with pq.ParquetWriter(
        file,
        schema,
        compression="snappy",
        use_dictionary=texts,
        column_encoding={ROW: "DELTA_BINARY_PACKED"} if ROW in schema.names else None,
        write_statistics=[name for name in (ROW, "lifter_id") if name in schema.names],
    ) as writer:
        for table in tables:
            writer.write_table(table, row_group_size=max(len(table), 1))


def write_arrow(file: BinaryIO, tables: Iterable[pa.Table], schema: pa.Schema, form: Form) -> None:
    """Write tables as record batches, of an Arrow file or stream."""
    plain = pa.schema(
        [pa.field(f.name, f.type.value_type) if pa.types.is_dictionary(f.type) else f for f in schema]
    )
    begin = pa.ipc.new_file if form == "arrow" else pa.ipc.new_stream
    with begin(file, plain) as writer:
        for table in tables:
            writer.write_table(table.cast(plain))


def write_part(path: Path, form: Form, tables: Iterable[pa.Table], schema: pa.Schema) -> None:
    """Write a part file of any form, whole or not at all."""
    with whole_file(path) as file:
        if form == "parquet":
            write_parquet(file, tables, schema)
        else:
            write_arrow(file, tables, schema, form)


class RefusedFile:
    """The side file of one unit; there is none when nothing was refused."""

    def __init__(self, path: Path, opened: ExitStack) -> None:
        self._path, self._opened = path, opened
        self._file: BinaryIO | None = None
        self.lines = 0

    def write(self, lines: Iterable[bytes]) -> None:
        """Add lines; the file is whole when the stack it was made with ends."""
        for line in lines:
            if self._file is None:
                self._file = self._opened.enter_context(whole_file(self._path))
            self._file.write(line)
            self.lines += 1


def write_note(out: Path, done: Done) -> None:
    """Note that a unit is done. Its part and its refused rows are on the disk by then."""
    with whole_file(done_path(out, done.unit)) as file:
        file.write(msgspec.json.encode(done))
