"""`effort migrate`."""

import os

import click

from service.settings import read_settings
from service.storage.migrate import migrate


@click.command("migrate")
def command() -> None:
    """Bring the database of EFFORT_DATABASE_URL to the newest schema. Safe to run again and at once."""
    revision = migrate(read_settings(os.environ).database_url)
    click.echo(f"database is at revision {revision}")
