"""`effort backup FILE [--force]`."""

import os
import shlex
from pathlib import Path

import click

from service.errors import BackupFailed
from service.settings import read_settings
from service.storage.backup import Contents, back_up, postgresql_address

ON_POSTGRESQL = """PostgreSQL's own tools make backups of it. Row-level security is forced here, so the role has to
be one that it does not hold; made once, by a superuser:
  CREATE ROLE effort_backup LOGIN BYPASSRLS; GRANT pg_read_all_data TO effort_backup;
This database, while it serves:
  pg_dump --format=custom --host={host} --port={port} --username=effort_backup --dbname={database} --file={file}
Never with --enable-row-security: that leaves out the lifters of every tenant without a word. Or the whole server,
with a role that has REPLICATION, for recovery to any moment when the log is archived too:
  pg_basebackup --host={host} --port={port} --username=effort_replication --pgdata={file} --wal-method=stream \
--checkpoint=fast"""


def contents_told(contents: Contents) -> str:
    """Return what a copy holds, in words."""
    return (
        f"revision {contents.revision}, {contents.tenants} tenants, {contents.lifters} lifters, "
        f"{contents.performed_sets} sets, {contents.audit} audit entries, {contents.size_bytes} bytes; integrity ok"
    )


def refuse_postgresql(url: str, file: Path, told: str) -> None:
    """Raise BackupFailed with the commands to use instead when `url` is PostgreSQL's."""
    address = postgresql_address(url)
    if address is not None:
        host, port, database = address
        names = {"host": host, "database": database, "file": str(file)}
        raise BackupFailed(
            told.format(port=port, **{name: shlex.quote(text) for name, text in names.items()})
        )


@click.command("backup")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--force", is_flag=True, help="Replace FILE when it is there.")
def command(file: Path, force: bool) -> None:
    """Copy the SQLite database of EFFORT_DATABASE_URL into FILE, as it is at one moment, while it serves.

    FILE is checked before it gets its name: it is whole, or it is what it was. It holds everything, erased data too
    that was there when it was made: keep it as safe as the database, and delete it when its time is over. For
    PostgreSQL the commands to use are printed, and the exit code is 2.
    """
    url = read_settings(os.environ).database_url
    refuse_postgresql(url, file, ON_POSTGRESQL)
    click.echo(f"backed up to {file}: {contents_told(back_up(url, file, force=force))}")
