"""API keys: shown once, stored as a hash, found by their public id; the tenants they belong to."""

import hmac
import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any, Literal
from uuid import UUID

from msgspec import Struct, structs
from sqlalchemy import Row, insert, or_, select, update

from service.errors import SettingsInvalid
from service.storage.engine import Reading, Writing
from service.storage.identifiers import new_id
from service.storage.key_token import draw_token, is_test_token, key_id_of, token_hash
from service.storage.schema import api_keys, tenants
from service.storage.sites import check_site, make_sites
from service.storage.tenancy import Reach, enter, name_key, name_tenant
from service.storage.upsert import insert_into

SCOPES = ("prescribe", "history:read", "history:write", "admin")
# Nothing that plays with the terminal of a listing, and no NUL, which stops PostgreSQL.
LABEL_PATTERN = r"^[^\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]*\Z"
LONGEST_LABEL = 100

# Tenants of this name are sandboxes: their keys are test keys, and may empty them.
SANDBOX_SUFFIX = ".sandbox"

_TENANT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_LABEL = re.compile(LABEL_PATTERN)
_USE_NOTED_EVERY = timedelta(seconds=60)


class Principal(Struct, frozen=True, kw_only=True):
    """Who sent a request: the tenant, the key or token used, and what it may do.

    `scopes` are some of `SCOPES`; `sites` those it is bound to, None for the whole tenant. `key_id` names a key by its
    public id, the subject of a token by a hash. `sandbox` is true of a test key: its tenant is a sandbox.
    """

    tenant_id: UUID
    key_id: str
    kind: Literal["key", "token"] = "key"
    scopes: frozenset[str]
    sites: frozenset[str] | None
    expires_at: datetime | None
    last_used_at: datetime | None = None
    sandbox: bool = False

    @property
    def reach(self) -> Reach:
        """How far it sees."""
        return Reach(self.tenant_id, self.sites)


class NewKey(Struct, frozen=True, kw_only=True):
    """A key just made, and sites that were made with it. `token` exists nowhere else: it cannot be shown again."""

    tenant_id: UUID
    key_id: str
    token: str
    new_sites: frozenset[str] = frozenset()


class KeyRecord(Struct, frozen=True, kw_only=True):
    """One key as it may be listed. All times are UTC; None means never, without end, or not replaced."""

    tenant_id: UUID
    key_id: str
    scopes: frozenset[str]
    label: str | None
    sites: frozenset[str] | None
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None
    revoked_at: datetime | None
    replaced_by: str | None

    def is_live(self, now: datetime) -> bool:
        """True when the key opens the door at `now`."""
        return self.revoked_at is None and (self.expires_at is None or self.expires_at > now)


async def create_key(
    w: Writing,
    *,
    tenant: str,
    scopes: Iterable[str],
    now: datetime,
    sites: Iterable[str] | None = None,
    expires_at: datetime | None = None,
    label: str | None = None,
) -> NewKey:
    """A new key of `tenant`, a test key where that is a sandbox. The tenant and the sites are made if they are new.

    `scopes` names at least one of `SCOPES`; `sites` at least one, or None for the whole tenant; `label` has up to 100
    characters; `expires_at` lies after `now`. Other keys of the tenant stay valid. Raises SettingsInvalid,
    StorageUnavailable.
    """
    _check_tenant(tenant)
    bound = _checked(frozenset(scopes), None if sites is None else frozenset(sites), label, expires_at, now)
    tenant_id = await find_tenant(w, tenant) or await _make_tenant(w, tenant, now)
    await enter(w, Reach(tenant_id))
    new_sites = await make_sites(w, tenant_id, bound or (), now=now)
    made = await add_key(
        w, tenant_id, scopes=scopes, sites=sites, label=label, expires_at=expires_at, now=now
    )
    return structs.replace(made, new_sites=new_sites)


async def add_key(
    w: Writing,
    tenant_id: UUID,
    *,
    scopes: Iterable[str],
    sites: Iterable[str] | None,
    label: str | None,
    expires_at: datetime | None,
    now: datetime,
) -> NewKey:
    """A new key of a tenant that was entered; as `create_key`, but nothing else is made."""
    granted = frozenset(scopes)
    bound = _checked(granted, None if sites is None else frozenset(sites), label, expires_at, now)
    key_id, token = draw_token(test=await _is_sandbox(w, tenant_id))
    await w.execute(
        insert(api_keys).values(
            tenant_id=tenant_id,
            id=key_id,
            secret_hash=token_hash(token),
            scopes=" ".join(sorted(granted)),
            label=label,
            site=min(bound) if bound is not None and len(bound) == 1 else None,
            sites=None if bound is None else "\n".join(sorted(bound)),
            created_at=now,
            expires_at=expires_at,
        )
    )
    return NewKey(tenant_id=tenant_id, key_id=key_id, token=token)


async def _is_sandbox(w: Writing, tenant_id: UUID) -> bool:
    found = await w.execute(select(tenants.c.name).where(tenants.c.id == tenant_id))
    name: str = found.scalar_one()
    return name.endswith(SANDBOX_SUFFIX)


async def find_tenant(session: Reading | Writing, name: str) -> UUID | None:
    """The id of the tenant of that name, or None. Raises SettingsInvalid for a name no tenant can have."""
    _check_tenant(name)
    await name_tenant(session, name)
    found = await session.execute(select(tenants.c.id).where(tenants.c.name == name))
    tenant_id: UUID | None = found.scalar_one_or_none()
    return tenant_id


async def find_principal(r: Reading, token: str, *, now: datetime) -> Principal | None:
    """Who `token` belongs to; None alike when it is malformed, unknown, altered, revoked or expired."""
    key_id = key_id_of(token)
    if key_id is None:
        return None
    await name_key(r, key_id)
    row = (await r.execute(select(api_keys).where(api_keys.c.id == key_id))).one_or_none()
    if row is None or not hmac.compare_digest(row.secret_hash, token_hash(token)):
        return None
    found = record_of(row)
    if not found.is_live(now):
        return None
    return Principal(
        tenant_id=found.tenant_id,
        key_id=found.key_id,
        scopes=found.scopes,
        sites=found.sites,
        expires_at=found.expires_at,
        last_used_at=found.last_used_at,
        sandbox=is_test_token(token),
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


def record_of(row: Row[Any]) -> KeyRecord:
    """The key a row of the table tells of."""
    return KeyRecord(
        tenant_id=row.tenant_id,
        key_id=row.id,
        scopes=frozenset(row.scopes.split()),
        label=row.label,
        sites=_sites(row),
        created_at=row.created_at,
        expires_at=row.expires_at,
        last_used_at=row.last_used_at,
        revoked_at=row.revoked_at,
        replaced_by=row.replaced_by,
    )


def _sites(row: Row[Any]) -> frozenset[str] | None:
    # The release before this one writes `site` alone.
    named = row.site if row.sites is None else row.sites
    return None if named is None else frozenset(named.split("\n"))


async def _make_tenant(w: Writing, name: str, now: datetime) -> UUID:
    # Two processes may make the same tenant at once: the second takes the first one's row.
    await w.execute(
        insert_into(w, tenants)
        .values(id=new_id(now), name=name, created_at=now)
        .on_conflict_do_nothing(index_elements=[tenants.c.name])
    )
    found = await w.execute(select(tenants.c.id).where(tenants.c.name == name))
    tenant_id: UUID = found.scalar_one()
    return tenant_id


def _check_tenant(name: str) -> None:
    if _TENANT_NAME.fullmatch(name) is None:
        raise SettingsInvalid(
            f"tenant {name!r:.80}: takes 1-64 letters, digits, '_', '.', '-', the first a letter or digit"
        )


def _checked(
    scopes: frozenset[str],
    sites: frozenset[str] | None,
    label: str | None,
    expires_at: datetime | None,
    now: datetime,
) -> frozenset[str] | None:
    """The sites, after everything was checked."""
    unknown = sorted(scopes.difference(SCOPES))
    if unknown or not scopes:
        raise SettingsInvalid(f"scopes {unknown!r:.80}: takes one or more of {', '.join(SCOPES)}")
    if sites is not None and not sites:
        raise SettingsInvalid("sites: takes one or more; leave it out for the whole tenant")
    for site in sites or ():
        check_site(site)
    wrong = label is not None and (len(label) > LONGEST_LABEL or not _LABEL.match(label) or _half(label))
    if wrong:
        raise SettingsInvalid(f"label {label!r:.120}: takes up to {LONGEST_LABEL} printable characters")
    if expires_at is not None and expires_at <= now:
        raise SettingsInvalid(f"expires_at {expires_at.isoformat()}: a key has to expire after it is made")
    return sites


def _half(text: str) -> bool:
    # The command line passes on bytes that are no UTF-8 as half surrogate pairs.
    return any("\ud800" <= each <= "\udfff" for each in text)
