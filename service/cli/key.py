"""`effort key create|list|revoke`."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import click

from service.errors import NotFound
from service.settings import read_settings
from service.storage.engine import Store, close_store, open_store, reading, writing
from service.storage.keys import SCOPES, KeyRecord, create_key, list_keys, revoke_key
from service.storage.migrate import check_ready

T = TypeVar("T")


def with_store(use: Callable[[Store], Awaitable[T]]) -> T:
    """Return what `use` returns, run on the migrated database of the settings, closed afterwards."""

    async def run() -> T:
        store = open_store(read_settings(os.environ).database_url)
        try:
            await check_ready(store)
            return await use(store)
        finally:
            await close_store(store)

    return asyncio.run(run())


@click.group("key")
def command() -> None:
    """Make, list and revoke API keys. A key is shown once and stored as a hash."""


@command.command("create")
@click.option("--tenant", required=True, help="Who the key is for; made if new.")
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    type=click.Choice(SCOPES),
    default=("prescribe",),
    show_default=True,
    help="What the key may do; may be given several times.",
)
@click.option("--site", help="Bind the key to one site of the tenant.")
@click.option("--expires-in-days", type=click.FloatRange(min=0, min_open=True, max=36_500), help="Lifetime.")
@click.option("--label", help="A note to tell keys apart.")
def create(
    tenant: str,
    scopes: tuple[str, ...],
    site: str | None,
    expires_in_days: float | None,
    label: str | None,
) -> None:
    """Make a key and show it, once."""
    now = datetime.now(UTC)
    expires_at = None if expires_in_days is None else now + timedelta(days=expires_in_days)

    async def use(store: Store) -> tuple[str, str]:
        async with writing(store) as session:
            made = await create_key(
                session,
                tenant=tenant,
                scopes=scopes,
                site=site,
                expires_at=expires_at,
                label=label,
                now=now,
            )
        return made.key_id, made.token

    key_id, token = with_store(use)
    click.echo(f"key id: {key_id}")
    click.echo(f"API key: {token}")


def _line(key: KeyRecord) -> str:
    parts = [key.key_id, " ".join(sorted(key.scopes)), f"created {key.created_at:%Y-%m-%d %H:%M}Z"]
    parts += [f"site {key.site}"] if key.site else []
    parts += [f"label {key.label}"] if key.label else []
    parts.append(f"last used {key.last_used_at:%Y-%m-%d %H:%M}Z" if key.last_used_at else "never used")
    parts += [f"expires {key.expires_at:%Y-%m-%d %H:%M}Z"] if key.expires_at else []
    parts += [f"REVOKED {key.revoked_at:%Y-%m-%d %H:%M}Z"] if key.revoked_at else []
    return "  ".join(parts)


@command.command("list")
@click.option("--tenant", required=True, help="Whose keys.")
def show(tenant: str) -> None:
    """List a tenant's keys, without their secrets."""

    async def use(store: Store) -> tuple[KeyRecord, ...]:
        async with reading(store) as session:
            return await list_keys(session, tenant=tenant)

    found = with_store(use)
    if not found:
        raise NotFound(f"tenant {tenant} has no keys")
    for key in found:
        click.echo(_line(key))


@command.command("revoke")
@click.argument("key_id")
def revoke(key_id: str) -> None:
    """Revoke a key. Services stop taking it within 5 seconds."""

    async def use(store: Store) -> bool:
        async with writing(store) as session:
            return await revoke_key(session, key_id=key_id, now=datetime.now(UTC))

    if not with_store(use):
        raise NotFound(f"no live key {key_id}")
    click.echo(f"revoked {key_id}")
