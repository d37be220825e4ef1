"""`effort key create|list|rotate|revoke`."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import TypeVar
from uuid import UUID

import click

from service.errors import NotFound
from service.settings import read_settings
from service.storage.audit import Entry, Outcome, record
from service.storage.engine import Store, Writing, close_store, open_store, reading, writing
from service.storage.key_pages import list_keys
from service.storage.key_rotation import OVERLAP_HOURS, hold_key, revoke_key, rotate_key
from service.storage.keys import SCOPES, KeyRecord, NewKey, create_key
from service.storage.migrate import check_ready

T = TypeVar("T")


def with_store(use: Callable[[Store], Awaitable[T]], *, patience_seconds: float = 5.0) -> T:
    """Return what `use` returns, run on the migrated database of the settings, closed afterwards.

    `patience_seconds` is how long to wait for a lock.
    """

    async def run() -> T:
        store = open_store(read_settings(os.environ).database_url, patience_seconds=patience_seconds)
        try:
            await check_ready(store)
            return await use(store)
        finally:
            await close_store(store)

    return asyncio.run(run())


@click.group("key")
def command() -> None:
    """Make, list, rotate and revoke API keys. A key is shown once and stored as a hash."""


@command.command("create")
@click.option(
    "--tenant",
    required=True,
    help="Who the key is for; made if new. NAME.sandbox is a sandbox with test keys.",
)
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    type=click.Choice(SCOPES),
    default=("prescribe",),
    show_default=True,
    help="What the key may do; may be given several times.",
)
@click.option(
    "--site",
    "sites",
    multiple=True,
    help="Bind the key to this site of the tenant, made if new; may be given several times. "
    "Without it the key sees the whole tenant.",
)
@click.option("--expires-in-days", type=click.FloatRange(min=0, min_open=True, max=36_500), help="Lifetime.")
@click.option("--label", help="A note to tell keys apart.")
def create(
    tenant: str,
    scopes: tuple[str, ...],
    sites: tuple[str, ...],
    expires_in_days: float | None,
    label: str | None,
) -> None:
    """Make a key and show it, once."""
    now = datetime.now(UTC)
    expires_at = None if expires_in_days is None else now + timedelta(days=expires_in_days)

    async def use(store: Store) -> NewKey:
        async with writing(store) as session:
            made = await create_key(
                session,
                tenant=tenant,
                scopes=scopes,
                sites=sites or None,
                expires_at=expires_at,
                label=label,
                now=now,
            )
            for site in sorted(made.new_sites):
                await _note(session, made.tenant_id, "putSite", "created", site, now)
            await _note(session, made.tenant_id, "createKey", "created", made.key_id, now)
            return made

    _show_once(with_store(use))


async def _note(
    session: Writing, tenant_id: UUID, operation: str, outcome: Outcome, object_id: str, now: datetime
) -> None:
    entry = Entry(actor="command:key", operation=operation, outcome=outcome, at=now, object_id=object_id)
    await record(session, tenant_id, entry)


def _show_once(made: NewKey) -> None:
    click.echo(f"key id: {made.key_id}")
    click.echo(f"API key: {made.token}")


def _line(key: KeyRecord) -> str:
    parts = [key.key_id, " ".join(sorted(key.scopes)), f"created {key.created_at:%Y-%m-%d %H:%M}Z"]
    parts += [f"sites {' '.join(sorted(key.sites))}"] if key.sites else []
    parts += [f"label {key.label}"] if key.label else []
    parts.append(f"last used {key.last_used_at:%Y-%m-%d %H:%M}Z" if key.last_used_at else "never used")
    parts += [f"expires {key.expires_at:%Y-%m-%d %H:%M}Z"] if key.expires_at else []
    parts += [f"replaced by {key.replaced_by}"] if key.replaced_by else []
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


@command.command("rotate")
@click.argument("key_id")
@click.option(
    "--overlap-hours",
    type=click.FloatRange(min=OVERLAP_HOURS.least, max=OVERLAP_HOURS.most),
    default=OVERLAP_HOURS.usual,
    show_default=True,
    help="How long the old key goes on working.",
)
def rotate(key_id: str, overlap_hours: float) -> None:
    """Make the successor of a key and show it, once: same tenant, scopes, sites and label.

    The old key ends after the overlap. For a key that is in wrong hands, make another and revoke it.
    """
    now = datetime.now(UTC)

    async def use(store: Store) -> NewKey | None:
        async with writing(store) as session:
            held = await hold_key(session, key_id)
            if held is None or not held.is_live(now):
                return None
            made = await rotate_key(session, held, overlap=timedelta(hours=overlap_hours), now=now)
            await _note(session, held.tenant_id, "rotateKey", "changed", key_id, now)
            return made

    made = with_store(use)
    if made is None:
        raise NotFound(f"no live key {key_id}")
    _show_once(made)


@command.command("revoke")
@click.argument("key_id")
def revoke(key_id: str) -> None:
    """Revoke a key. Services stop taking it within 5 seconds."""
    now = datetime.now(UTC)

    async def use(store: Store) -> bool:
        async with writing(store) as session:
            held = await hold_key(session, key_id)
            if held is None or not await revoke_key(session, key_id=key_id, now=now):
                return False
            await _note(session, held.tenant_id, "revokeKey", "revoked", key_id, now)
            return True

    if not with_store(use):
        raise NotFound(f"no live key {key_id}")
    click.echo(f"revoked {key_id}")
