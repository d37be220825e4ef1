"""Where rows come from: one Parquet file or one Arrow file or stream, cut into units that can be read by themselves."""

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq
from msgspec import Struct

from service.bulk.members import TEXT_COLUMNS
from service.errors import Fault, InputRefused

Form = Literal["parquet", "arrow", "arrows"]
UNIT_ROWS = 1 << 20  # a unit that dies is done again: as much as that may be lost
BATCH_ROWS = 1 << 17
_PARQUET_MAGIC, _ARROW_MAGIC = b"PAR1", b"ARROW1"
_BUFFER_BYTES = 1 << 20


class Unit(Struct, frozen=True, kw_only=True):
    """A stretch of the input: row groups or record batches `start` up to `end`, with their first row and rows."""

    number: int
    start: int
    end: int
    first_row: int
    rows: int


class Source(Struct, frozen=True, kw_only=True):
    """One input file, as it was when the run began. Equal sources hold the same rows."""

    path: str
    form: Form
    size_bytes: int
    modified_ns: int
    rows: int
    units: tuple[Unit, ...]


def _refused(path: Path, told: str) -> InputRefused:
    return InputRefused((Fault(str(path), told, "file"),))


def _form_of(path: Path) -> Form:
    try:
        with path.open("rb") as file:
            head = file.read(len(_ARROW_MAGIC))
    except OSError as error:
        raise _refused(path, f"cannot be read: {error.strerror}") from error
    if head.startswith(_PARQUET_MAGIC):
        return "parquet"
    return "arrow" if head == _ARROW_MAGIC else "arrows"


def _grouped(counts: list[int]) -> tuple[Unit, ...]:
    """Put neighbours together as long as they have no more than UNIT_ROWS."""
    units: list[Unit] = []
    first = 0
    for place, rows in enumerate(counts):
        last = units[-1] if units else None
        if last is not None and last.rows + rows <= UNIT_ROWS:
            units[-1] = Unit(
                number=last.number,
                start=last.start,
                end=place + 1,
                first_row=last.first_row,
                rows=last.rows + rows,
            )
        else:
            units.append(Unit(number=len(units), start=place, end=place + 1, first_row=first, rows=rows))
        first += rows
    # a file without rows has an answer too: a part with its columns and none
    return tuple(units) or (Unit(number=0, start=0, end=0, first_row=0, rows=0),)


def _parquet(path: str) -> tuple[pa.Schema, list[int]]:
    with pq.ParquetFile(path) as file:
        metadata = file.metadata
        return file.schema_arrow, [metadata.row_group(at).num_rows for at in range(metadata.num_row_groups)]


def _arrow(path: str) -> tuple[pa.Schema, list[int]]:
    # of a column only, so that nothing else is decompressed to count
    options = pa.ipc.IpcReadOptions(included_fields=[0])
    with pa.memory_map(path) as mapped:
        schema = pa.ipc.open_file(mapped).schema
        few = pa.ipc.open_file(mapped, options=options if len(schema) else None)
        return schema, [few.get_batch(at).num_rows for at in range(few.num_record_batches)]


def _arrows(path: str) -> tuple[pa.Schema, list[int]]:
    with pa.memory_map(path) as mapped, pa.ipc.open_stream(mapped) as stream:
        return stream.schema, [batch.num_rows for batch in stream]


_LOOK = {"parquet": _parquet, "arrow": _arrow, "arrows": _arrows}


def look_at(path: Path) -> tuple[Source, pa.Schema]:
    """Return what a file is, and its columns. Raises InputRefused for one that is neither Parquet nor Arrow."""
    form = _form_of(path)
    told = path.stat()
    try:
        schema, counts = _LOOK[form](str(path))
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, OSError) as error:
        raise _refused(path, f"is no Parquet or Arrow file that can be read: {str(error)[:200]}") from error
    source = Source(
        path=str(path.resolve()),
        form=form,
        size_bytes=told.st_size,
        modified_ns=told.st_mtime_ns,
        rows=sum(counts),
        units=_grouped(counts),
    )
    return source, schema


def _texts_in(metadata: pq.FileMetaData) -> list[str]:
    """Columns that are text members: read as dictionaries, each distinct text is looked at once.

    Not those within lists and structs: Arrow cannot put the dictionaries of two row groups together there.
    """
    schema = metadata.schema
    leaves = [schema.column(at) for at in range(len(schema))]
    top = set(schema.to_arrow_schema().names)
    return [leaf.path for leaf in leaves if leaf.path in TEXT_COLUMNS and leaf.path in top]


def _parquet_batches(source: Source, unit: Unit) -> Iterator[pa.RecordBatch]:
    metadata = pq.read_metadata(source.path)
    # A buffer instead of whole columns: a row group may be larger than the memory.
    with pq.ParquetFile(
        source.path,
        metadata=metadata,
        read_dictionary=_texts_in(metadata),
        buffer_size=_BUFFER_BYTES,
        pre_buffer=False,
    ) as file:
        groups = range(unit.start, unit.end)
        for some in (
            [[group] for group in groups] if _has_inner_dictionary(file.schema_arrow) else [[*groups]]
        ):
            yield from file.iter_batches(BATCH_ROWS, row_groups=some, use_threads=False)


def _has_inner_dictionary(schema: pa.Schema) -> bool:
    return any("dictionary<" in str(field.type) for field in schema if not pa.types.is_dictionary(field.type))


def _arrow_batches(source: Source, unit: Unit) -> Iterator[pa.RecordBatch]:
    with pa.memory_map(source.path) as mapped:
        if source.form == "arrow":
            file = pa.ipc.open_file(mapped)
            whole: Iterator[pa.RecordBatch] = (file.get_batch(at) for at in range(unit.start, unit.end))
        else:
            whole = _of_stream(mapped, unit)
        for batch in whole:
            for start in range(0, len(batch), BATCH_ROWS):
                yield batch.slice(start, BATCH_ROWS)


def _of_stream(mapped: pa.MemoryMappedFile, unit: Unit) -> Iterator[pa.RecordBatch]:
    # a stream has no index: what stands before the unit is gone through, without copying any of it
    with pa.ipc.open_stream(mapped) as stream:
        for place, batch in enumerate(stream):
            if place >= unit.end:
                return
            if place >= unit.start:
                yield batch


def batches(source: Source, unit: Unit) -> Iterator[tuple[int, pa.RecordBatch]]:
    """Yield the unit's rows in batches, each with the number of its first row in the input.

    Raises InputRefused where the file cannot be read.
    """
    read = _parquet_batches if source.form == "parquet" else _arrow_batches
    row, rest = unit.first_row, read(source, unit)
    while (batch := _next(rest, source)) is not None:
        yield row, batch
        row += len(batch)


def _next(rest: Iterator[pa.RecordBatch], source: Source) -> pa.RecordBatch | None:
    try:
        return next(rest, None)
    except (pa.ArrowException, OSError) as error:
        raise _refused(Path(source.path), f"cannot be read to its end: {str(error)[:200]}") from error
