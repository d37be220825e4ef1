"""`effort migrate`."""

import asyncio
import os

import click

from service.settings import read_settings
from service.storage.api_role import grant_rights
from service.storage.engine import close_store, open_store
from service.storage.migrate import migrate

TURN_SECONDS = 60.0


async def _grant(url: str, role: str) -> None:
    store = open_store(url, patience_seconds=TURN_SECONDS)
    try:
        await grant_rights(store, role)
    finally:
        await close_store(store)


@click.command("migrate")
@click.option(
    "--api-role",
    help="PostgreSQL role that serves and owns nothing; it is given the rights it needs, and no others.",
)
def command(api_role: str | None) -> None:
    """Bring the database of EFFORT_DATABASE_URL to the newest schema. Safe to run again and at once."""
    url = read_settings(os.environ).database_url
    revision = migrate(url)
    click.echo(f"database is at revision {revision}")
    if api_role is not None:
        asyncio.run(_grant(url, api_role))
        click.echo(f"role {api_role} may serve")
