"""`effort import FILE --tenant NAME`."""

import os
import stat
import sys
from codecs import BOM_UTF8
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import PurePath
from typing import BinaryIO, Literal
from uuid import UUID

import click
from msgspec.structs import replace

from service.api.learned import learn_anew
from service.api.lifter_sites import ToldProfile
from service.cli import FAILED
from service.cli.import_csv import COLUMNS, csv_rows
from service.cli.import_json import json_rows
from service.cli.import_rows import Brought, Checks, Content, Faults, Row, SetRow, gathered
from service.cli.key import with_store
from service.cli.progress import Advance, progress
from service.errors import Fault, InputRefused, NotFound
from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.storage.audit import Entry, Outcome, record
from service.storage.engine import Store, Writing, reading
from service.storage.identifiers import new_id
from service.storage.keys import find_tenant
from service.storage.lifters import lock_lifter, put_lifter
from service.storage.performed_sets import CHUNK, insert_sets
from service.storage.sites import make_sites
from service.storage.tenancy import tenant_writing

SHOWN_BYTES = 65_536  # a bar that moves with every line costs more than the line
Format = Literal["jsonl", "csv"]
READERS: dict[Format, Callable[[Iterable[bytes], Checks], Iterator[Row]]] = {
    "jsonl": json_rows,
    "csv": csv_rows,
}
FORMATS: dict[str, Format] = {".jsonl": "jsonl", ".ndjson": "jsonl", ".json": "jsonl", ".csv": "csv"}
HELP = f"""Bring performed sets of many lifters from FILE (- reads standard input) into the database of
EFFORT_DATABASE_URL: all of them, or none when anything is wrong with any line.

JSON lines (.jsonl, .ndjson, .json), each an object, as GET /v1/lifters/{{lifter_id}}/export gives them; several
exports one after another are one file:

\b
{{"type": "lifter", "lifter_id": "a1", "experience": "novice", "goal": "strength", "cautions": []}}
{{"type": "set", "performed_at": "2026-11-25T18:30:00+01:00", "exercise": "leg_press", ...}}
{{"type": "end", "sets": 1}}

A lifter line sets the whole profile (the last one counts; without `site` the one known stays, and a site that is new is
made) and is whose the set lines after it are. A set line may name
another `lifter_id`, and has to where no lifter line came before. An end line closes the lifter and tells how many set
lines came since; either every lifter line has one, or none, and then a cut is not seen.

CSV (.csv): UTF-8, with commas, a header row, columns in any order, an empty cell for what is left out:

{", ".join(COLUMNS)}

Members, ranges and exercises are those of the API. A set without `set_id` gets one made from lifter and content: the
same file twice changes nothing, and rows alike in one file are as many sets. A `set_id` that is stored already with
equal content is left as it is; with other content everything is refused.

The file is checked first, and its sets are held in memory meanwhile: take up to about a million at once (0.8 GB). They
are stored in one transaction. While it runs, requests that write to these lifters (on SQLite, any that write) may be
answered 503.
"""


def _size_of(file: BinaryIO) -> int | None:
    """Bytes of the file; None for what has no size, such as a pipe."""
    try:
        found = os.fstat(file.fileno())
    except OSError:
        return None
    return found.st_size if stat.S_ISREG(found.st_mode) else None


def _lines(file: BinaryIO, advance: Advance) -> Iterator[bytes]:
    read = 0
    for number, line in enumerate(file):
        read += len(line)
        if read >= SHOWN_BYTES:
            advance(read)
            read = 0
        yield line if number else line.removeprefix(BOM_UTF8)
    advance(read)


async def stored(
    store: Store, tenant_id: UUID, content: Content, basis: Basis, *, now: datetime, advance: Advance
) -> int:
    """Store all, or nothing; return how many sets are new. Raises InputRefused, StorageUnavailable."""
    new, conflicting, run = 0, list[SetRow](), f"import-{new_id(now).hex}"
    profiles = [brought.profile for brought in content.lifters.values() if brought.profile is not None]
    async with tenant_writing(store, tenant_id) as w:
        named = {told.site for told in profiles if told.site is not None}
        for site in sorted(await make_sites(w, tenant_id, named, now=now)):
            made = Entry(
                actor="command:import", operation="putSite", outcome="created", at=now, request_id=run
            )
            await record(w, tenant_id, replace(made, object_id=site))
        # In order: two imports at once wait for each other instead of for ever.
        for lifter_id, brought in sorted(content.lifters.items()):
            held = await _hold(w, tenant_id, lifter_id, brought.profile, now)
            added, refused = await _insert(w, tenant_id, lifter_id, brought, advance)
            new, conflicting = new + added, conflicting + refused
            if added and not conflicting:
                await learn_anew(w, tenant_id, lifter_id, basis)
            if outcome := "created" if added else held:
                await record(w, tenant_id, _entry(outcome, lifter_id, added, run, now))
        faults = Faults()
        for row in sorted(conflicting):
            told = f"{row.performed.set_id} of {row.lifter_id} is stored already with other content"
            faults.add(row.line, [Fault("set_id", told)])
        faults.refuse()
    return new


def _entry(outcome: Outcome, lifter_id: str, added: int, run: str, now: datetime) -> Entry:
    """What the audit is told: all lifters of one run under one request id."""
    return Entry(
        actor="command:import",
        operation="importSets",
        outcome=outcome,
        at=now,
        lifter_id=lifter_id,
        request_id=run,
        sets=added,
    )


async def _hold(
    w: Writing, tenant_id: UUID, lifter_id: str, profile: ToldProfile | None, now: datetime
) -> Outcome | None:
    """Hold the lifter; what became of a profile, None when it was there like this before."""
    if profile is None:
        await lock_lifter(w, tenant_id, lifter_id, create=True, now=now)
        return None
    row, new = await put_lifter(
        w,
        tenant_id,
        lifter_id,
        experience=profile.experience,
        goal=profile.goal,
        cautions=profile.cautions or (),
        site=profile.site,
        now=now,
    )
    if row.updated_at != now:
        return None
    return "created" if new else "changed"


async def _insert(
    w: Writing, tenant_id: UUID, lifter_id: str, brought: Brought, advance: Advance
) -> tuple[int, list[SetRow]]:
    """How many sets are new, and the rows whose id is taken by other content."""
    rows, new, refused = list(brought.sets.values()), 0, list[SetRow]()
    for start in range(0, len(rows), CHUNK):
        batch = rows[start : start + CHUNK]
        inserted = await insert_sets(w, tenant_id, lifter_id, [row.performed for row in batch])
        new += len(inserted.new)
        refused += [batch[place] for place in inserted.conflicting]
        advance(len(batch))
    return new, refused


async def _tenant(store: Store, name: str) -> UUID:
    async with reading(store) as r:
        found = await find_tenant(r, name)
    if found is None:
        raise NotFound(f"no tenant named {name}; effort key create makes one")
    return found


def _format_of(name: str) -> Format:
    form = FORMATS.get(PurePath(name).suffix.lower())
    if form is None:
        raise click.UsageError(f"the name does not tell the format ({', '.join(FORMATS)}); use --format")
    return form


def _import(file: BinaryIO, form: Format, tenant: str) -> str:
    """Return what to say of it at the end. Raises InputRefused, NotFound, StorageUnavailable."""
    tenant_id, now = with_store(partial(_tenant, name=tenant)), datetime.now(UTC)
    policies = load_policies()
    with progress("reading", _size_of(file)) as advance:
        content = gathered(READERS[form](_lines(file, advance), Checks(policies, now)))
    basis = Basis(policy=policies.newest, numbers=load_learning(policies.newest))
    with progress("storing", content.sets) as advance:
        new = with_store(lambda store: stored(store, tenant_id, content, basis, now=now, advance=advance))
    lifters = len(content.lifters)
    return (
        f"imported {new} set{'' if new == 1 else 's'} of {lifters} lifter{'' if lifters == 1 else 's'} "
        f"({content.sets - new} were known already)"
    )


def _printable(text: str) -> str:
    # What a file says is echoed, and must not play with the terminal.
    return "".join(each if each.isprintable() else f"\\u{ord(each):04x}" for each in text)


@click.command("import", help=HELP)
@click.argument("file", type=click.File("rb"))
@click.option("--tenant", required=True, help="Whose lifters they are.")
@click.option("--format", "form", type=click.Choice(tuple(READERS)), help="Default: by the name of FILE.")
def command(file: BinaryIO, tenant: str, form: Format | None) -> None:  # noqa: D103 - HELP says it
    try:
        told = _import(file, form or _format_of(file.name), tenant)
    except InputRefused as error:
        for fault in error.faults:
            click.echo(_printable(f"effort: {': '.join(filter(None, fault[:2]))}"), err=True)
        sys.exit(FAILED)
    click.echo(told)
