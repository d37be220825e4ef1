"""A run: units of work, each done by itself, noted, and never done twice."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Protocol

import pyarrow as pa
from msgspec import Struct

from service.bulk.manifest import Identity, check_folder, held, take_up
from service.bulk.parts import (
    REFUSED,
    Done,
    RefusedFile,
    clear_unfinished,
    done_units,
    part_name,
    write_note,
    write_part,
)
from service.bulk.sources import Form


class Chunk(Struct, frozen=True, kw_only=True):
    """Rows answered, lines of the side file, how many rows got no target."""

    table: pa.Table
    refused: tuple[bytes, ...] = ()
    withheld: int = 0


class Work(Protocol):
    """What is to be done: units by number, the columns of the answer, what must be the same to go on later."""

    form: Form

    @property
    def units(self) -> int:
        """How many units there are."""

    @property
    def schema(self) -> pa.Schema:
        """Columns of every part."""

    @property
    def identity(self) -> Identity:
        """What a later run must have in common with this one to go on with it."""

    @property
    def beside(self) -> Identity:
        """What a later run is to take over from this one."""

    def take_over(self, beside: Identity) -> None:
        """Take over what an earlier run kept."""

    def chunks(self, unit: int) -> Iterator[Chunk]:
        """Do one unit."""


class Summary(Struct, frozen=True, kw_only=True):
    """The whole folder after a run: rows by outcome; `here` are the rows of this run."""

    answered: int
    withheld: int
    refused: int
    units: int
    here: int


Advance = Callable[[Done], None]
Doing = Callable[[Work, Path, list[int]], Iterable[Done]]


def do_unit(work: Work, out: Path, unit: int) -> Done:
    """Do one unit: part and side file are on the disk before it is noted. Doing it again gives the same bytes."""
    name, schema = part_name(unit, work.form), work.schema
    counts = {"answered": 0, "withheld": 0}

    def tables(refused: RefusedFile) -> Iterator[pa.Table]:
        for chunk in work.chunks(unit):
            refused.write(chunk.refused)
            counts["answered"] += chunk.table.num_rows
            counts["withheld"] += chunk.withheld
            yield chunk.table if chunk.table.schema.equals(schema) else chunk.table.cast(schema)

    with ExitStack() as opened:
        refused = RefusedFile(out / REFUSED / f"part-{unit:05}.jsonl", opened)
        write_part(out / name, work.form, tables(refused), schema)
    done = Done(unit=unit, part=name, refused=refused.lines, **counts)
    write_note(out, done)
    return done


def one_after_another(work: Work, out: Path, units: list[int]) -> Iterator[Done]:
    """Do units in this process."""
    for unit in units:
        yield do_unit(work, out, unit)


def run(work: Work, out: Path, *, doing: Doing = one_after_another, advance: Advance) -> Summary:
    """Do what is left to do in `out` and return how it stands. Raises InputRefused for a folder of something else."""
    check_folder(out)
    with held(out):
        work.take_over(take_up(out, work.identity, work.beside))
        before = done_units(out)
        for done in before.values():
            advance(done)
        left = [unit for unit in range(work.units) if unit not in before]
        now: list[Done] = []
        for done in doing(work, out, left):
            now.append(done)
            advance(done)
        clear_unfinished(out)  # of workers that died
    every = [*before.values(), *now]
    return Summary(
        answered=sum(done.answered for done in every),
        withheld=sum(done.withheld for done in every),
        refused=sum(done.refused for done in every),
        units=len(every),
        here=sum(done.answered + done.refused for done in now),
    )
