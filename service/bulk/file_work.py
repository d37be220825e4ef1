"""A file of contexts as work: every unit of rows read, answered and written."""

from collections.abc import Iterator
from functools import cached_property
from pathlib import Path

import pyarrow as pa

from service import __version__
from service.bulk.answers import answer_names
from service.bulk.chunks import Wanted, answered, known_digests, policies
from service.bulk.manifest import Identity
from service.bulk.members import layout_of
from service.bulk.sources import Form, Source, batches, look_at
from service.bulk.work import Chunk


class FileWork:
    """One input file, and how its rows are to be answered. Can be sent to another machine that sees the file."""

    def __init__(self, source: Source, columns: pa.Schema, wanted: Wanted, form: Form) -> None:
        self.source, self.columns, self.wanted, self.form = source, columns, wanted, form
        self.digests = known_digests()

    @property
    def units(self) -> int:
        """How many units there are."""
        return len(self.source.units)

    @cached_property
    def schema(self) -> pa.Schema:
        """Columns of every part: the row, what is carried, the answer."""
        batch = pa.RecordBatch.from_pylist([], schema=self.columns)
        return answered(batch, 0, self.wanted).table.schema

    @property
    def identity(self) -> Identity:
        """The file as it is, the policies, the options; not where the file lies."""
        source = self.source
        return {
            "input": {
                "form": source.form,
                "size_bytes": source.size_bytes,
                "modified_ns": source.modified_ns,
                "rows": source.rows,
                "units": [[unit.start, unit.end, unit.rows] for unit in source.units],
            },
            "columns": {field.name: str(field.type) for field in self.columns},
            "policy": self.wanted.policy,
            "policies": self.digests,
            "release": __version__,
            "texts": self.wanted.texts,
            "format": self.form,
        }

    @property
    def beside(self) -> Identity:
        """Nothing: the file says it all."""
        return {}

    def take_over(self, beside: Identity) -> None:
        """Nothing is to be taken over."""

    def chunks(self, unit: int) -> Iterator[Chunk]:
        """Answer one unit."""
        for first_row, batch in batches(self.source, self.source.units[unit]):
            found = answered(batch, first_row, self.wanted)
            yield Chunk(table=found.table, refused=found.refused, withheld=found.withheld)


def file_work(
    path: Path, *, policy: str | None, keep: tuple[str, ...], texts: bool, form: Form | None
) -> FileWork:
    """Return a file as work. Raises InputRefused with every column that will not do, and PolicyNotFound."""
    version = policies().get(policy).version
    source, schema = look_at(path)
    layout = layout_of(schema, keep, answer_names(policies()))
    return FileWork(source, schema, Wanted(layout=layout, policy=version, texts=texts), form or source.form)
