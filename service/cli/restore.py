"""`effort restore FILE [--force]`."""

import os
from pathlib import Path

import click

from service.cli.backup import contents_told, refuse_postgresql
from service.settings import read_settings
from service.storage.backup import restore
from service.storage.migrate import HEAD_REVISION

ON_POSTGRESQL = """PostgreSQL's own tools restore it: into a new database, as the role that owns the tables, on a
server that has the roles of the old one. {database} stays as it is; name the new one in EFFORT_DATABASE_URL:
  createdb --host={host} --port={port} --username=effort_owner effort_restored
  pg_restore --exit-on-error --single-transaction --no-owner --host={host} --port={port} --username=effort_owner \
--dbname=effort_restored {file}
A base backup is a whole server: start PostgreSQL on a copy of its folder."""


@click.command("restore")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--force", is_flag=True, help="Replace the database when it is there and nobody uses it.")
def command(file: Path, force: bool) -> None:
    """Put the backup FILE in the place of the SQLite database of EFFORT_DATABASE_URL. Stop the service first.

    The copy is checked before it gets there; FILE stays. Who was erased after FILE was made is back: erase them again.
    For PostgreSQL the commands to use are printed, and the exit code is 2.
    """
    url = read_settings(os.environ).database_url
    refuse_postgresql(url, file, ON_POSTGRESQL)
    contents = restore(file, url, force=force)
    click.echo(f"restored from {file}: {contents_told(contents)}")
    if contents.revision != HEAD_REVISION:
        click.echo("its schema is older than this release: run `effort migrate` before serving", err=True)
