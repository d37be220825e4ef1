"""API keys: shown once, stored as a hash, found by their public id."""

import hmac
import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from msgspec import Struct
from sqlalchemy import Row, insert, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.errors import SettingsInvalid
from service.storage.engine import Reading, Writing
from service.storage.identifiers import new_id
from service.storage.key_token import draw_token, is_key_id, key_id_of, token_hash
from service.storage.schema import api_keys, tenants

SCOPES = ("prescribe", "history:read", "history:write", "admin")

_TENANT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_USE_NOTED_EVERY = timedelta(seconds=60)


class Principal(Struct, frozen=True, kw_only=True):
    """Who sent a request: the tenant, the key used, and what that key may do.

    `scopes` are some of `SCOPES`; `site` is the tenant's own name for the place the key belongs to.
    """

    tenant_id: UUID
    key_id: str
    scopes: frozenset[str]
    site: str | None
    expires_at: datetime | None
    last_used_at: datetime | None = None


class NewKey(Struct, frozen=True, kw_only=True):
    """A key just made. `token` exists nowhere else: it cannot be shown again."""

    tenant_id: UUID
    key_id: str
    token: str


class KeyRecord(Struct, frozen=True, kw_only=True):
    """One key as it may be listed. All times are UTC; None means never, or without end."""

    key_id: str
    scopes: frozenset[str]
    label: str | None
    site: str | None
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None
    revoked_at: datetime | None


async def create_key(
    w: Writing,
    *,
    tenant: str,
    scopes: Iterable[str],
    now: datetime,
    site: str | None = None,
    expires_at: datetime | None = None,
    label: str | None = None,
) -> NewKey:
    """A new key of `tenant`, which is made if it is new.

    `scopes` names at least one of `SCOPES`; `site` has up to 64 characters, `label` up to 100; `expires_at`
    lies after `now`. Other keys of the tenant stay valid. Raises SettingsInvalid, StorageUnavailable.
    """
    granted = frozenset(scopes)
    _check_tenant(tenant)
    _check_scopes(granted)
    _check_text("site", site, at_most=64)
    _check_text("label", label, at_most=100)
    if expires_at is not None and expires_at <= now:
        raise SettingsInvalid(f"expires_at {expires_at.isoformat()}: a key has to expire after it is made")
    tenant_id = await _tenant_id(w, tenant, now)
    key_id, token = draw_token()
    await w.execute(
        insert(api_keys).values(
            tenant_id=tenant_id,
            id=key_id,
            secret_hash=token_hash(token),
            scopes=" ".join(sorted(granted)),
            label=label,
            site=site,
            created_at=now,
            expires_at=expires_at,
        )
    )
    return NewKey(tenant_id=tenant_id, key_id=key_id, token=token)


async def find_tenant(session: Reading | Writing, name: str) -> UUID | None:
    """The id of the tenant of that name, or None. Raises SettingsInvalid for a name no tenant can have."""
    _check_tenant(name)
    found = await session.execute(select(tenants.c.id).where(tenants.c.name == name))
    tenant_id: UUID | None = found.scalar_one_or_none()
    return tenant_id


async def list_keys(r: Reading, *, tenant: str) -> tuple[KeyRecord, ...]:
    """Every key of `tenant`, revoked and expired ones too, oldest first; empty for an unknown tenant.

    Raises SettingsInvalid for a name no tenant can have.
    """
    _check_tenant(tenant)
    found = await r.execute(
        select(api_keys)
        .join(tenants, tenants.c.id == api_keys.c.tenant_id)
        .where(tenants.c.name == tenant)
        .order_by(api_keys.c.created_at, api_keys.c.id)
    )
    return tuple(_record(row) for row in found)


async def revoke_key(w: Writing, *, key_id: str, now: datetime) -> bool:
    """True when a live key was revoked; False when there is no such key or it was revoked before."""
    if not is_key_id(key_id):
        return False
    result = await w.execute(
        update(api_keys)
        .where(api_keys.c.id == key_id, api_keys.c.revoked_at.is_(None))
        .values(revoked_at=now)
    )
    return result.rowcount == 1


async def find_principal(r: Reading, token: str, *, now: datetime) -> Principal | None:
    """Who `token` belongs to; None alike when it is malformed, unknown, altered, revoked or expired."""
    key_id = key_id_of(token)
    if key_id is None:
        return None
    row = (await r.execute(select(api_keys).where(api_keys.c.id == key_id))).one_or_none()
    if row is None or not hmac.compare_digest(row.secret_hash, token_hash(token)):
        return None
    if row.revoked_at is not None or (row.expires_at is not None and row.expires_at <= now):
        return None
    return Principal(
        tenant_id=row.tenant_id,
        key_id=row.id,
        scopes=_scopes(row.scopes),
        site=row.site,
        expires_at=row.expires_at,
        last_used_at=row.last_used_at,
    )


def use_is_due(principal: Principal, *, now: datetime) -> bool:
    """True when `note_use` would write: ask before opening a writing transaction for it."""
    return principal.last_used_at is None or principal.last_used_at <= now - _USE_NOTED_EVERY


async def note_use(w: Writing, *, key_id: str, now: datetime) -> None:
    """Stores that the key was used at `now`, unless a use within the last 60 s is stored already."""
    last_used_at = api_keys.c.last_used_at
    await w.execute(
        update(api_keys)
        .where(
            api_keys.c.id == key_id,
            or_(last_used_at.is_(None), last_used_at <= now - _USE_NOTED_EVERY),
        )
        .values(last_used_at=now)
    )


async def _tenant_id(w: Writing, name: str, now: datetime) -> UUID:
    dialect = sqlite if w.connection.dialect.name == "sqlite" else postgresql
    # Two processes may make the same tenant at once: the second takes the first one's row.
    await w.execute(
        dialect.insert(tenants)
        .values(id=new_id(now), name=name, created_at=now)
        .on_conflict_do_nothing(index_elements=[tenants.c.name])
    )
    found = await w.execute(select(tenants.c.id).where(tenants.c.name == name))
    tenant_id: UUID = found.scalar_one()
    return tenant_id


def _record(row: Row[Any]) -> KeyRecord:
    return KeyRecord(
        key_id=row.id,
        scopes=_scopes(row.scopes),
        label=row.label,
        site=row.site,
        created_at=row.created_at,
        expires_at=row.expires_at,
        last_used_at=row.last_used_at,
        revoked_at=row.revoked_at,
    )


def _scopes(stored: str) -> frozenset[str]:
    return frozenset(stored.split())


def _check_tenant(name: str) -> None:
    if _TENANT_NAME.fullmatch(name) is None:
        raise SettingsInvalid(
            f"tenant {name!r:.80}: takes 1-64 letters, digits, '_', '.', '-', the first a letter or digit"
        )


def _check_scopes(scopes: frozenset[str]) -> None:
    unknown = sorted(scopes.difference(SCOPES))
    if unknown or not scopes:
        raise SettingsInvalid(f"scopes {unknown!r:.80}: takes one or more of {', '.join(SCOPES)}")


def _check_text(field: str, text: str | None, *, at_most: int) -> None:
    # Printable: a NUL stops PostgreSQL, and control characters would play with the terminal of a listing.
    if text is not None and (len(text) > at_most or not text.isprintable()):
        raise SettingsInvalid(f"{field} {text!r:.120}: takes up to {at_most} printable characters")
