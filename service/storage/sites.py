"""Sites: a tenant's places. Lifters belong to one or none, keys may be bound to some.

For transactions that have entered the tenant.
"""

import hashlib
import re
from collections.abc import Collection
from datetime import datetime
from uuid import UUID

from msgspec import Struct
from sqlalchemy import delete, or_, select, text

from service.errors import Conflicting, Fault, SettingsInvalid
from service.storage.engine import Reading, Writing
from service.storage.schema import api_keys, lifters, sites
from service.storage.upsert import insert_into

SITE_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}\Z"
SITE_TOLD = "1 to 64 letters, digits and _ . - , starting with a letter or digit"

_SITE = re.compile(SITE_PATTERN)


class Site(Struct, frozen=True, kw_only=True):
    """One site. `name` is unique within the tenant; `created_at` is UTC."""

    name: str
    created_at: datetime


async def list_sites(session: Reading | Writing, tenant_id: UUID) -> tuple[Site, ...]:
    """The sites that the transaction may see, by name. Raises StorageUnavailable."""
    found = await session.execute(select(sites).where(sites.c.tenant_id == tenant_id).order_by(sites.c.name))
    kept = [Site(name=row.name, created_at=row.created_at) for row in found]
    return tuple(site for site in kept if session.sites is None or site.name in session.sites)


async def known_sites(session: Reading | Writing, tenant_id: UUID, names: Collection[str]) -> frozenset[str]:
    """Those of `names` that are sites the transaction may see. Raises StorageUnavailable."""
    wanted = set(names) if session.sites is None else session.sites.intersection(names)
    found = await session.execute(
        select(sites.c.name).where(sites.c.tenant_id == tenant_id, sites.c.name.in_(sorted(wanted)))
    )
    return frozenset(found.scalars())


async def hold_sites(w: Writing, tenant_id: UUID, names: Collection[str]) -> frozenset[str]:
    """Those of `names` that are sites the transaction may see; nobody deletes them before it ends.

    Who puts a lifter or a key at a site calls this first. Raises StorageUnavailable.
    """
    await _share(w, tenant_id, names)
    return await known_sites(w, tenant_id, names)


async def make_sites(w: Writing, tenant_id: UUID, names: Collection[str], *, now: datetime) -> frozenset[str]:
    """Makes the sites that are new, and says which those are; holds all of them, as `hold_sites` does.

    Raises StorageUnavailable.
    """
    if not names:
        return frozenset()
    await _share(w, tenant_id, names)
    made = await w.execute(
        insert_into(w, sites)
        .on_conflict_do_nothing(index_elements=sites.primary_key.columns)
        .returning(sites.c.name),
        [{"tenant_id": tenant_id, "name": name, "created_at": now} for name in sorted(names)],
    )
    return frozenset(made.scalars())


async def delete_site(w: Writing, tenant_id: UUID, name: str, *, now: datetime) -> bool:
    """Deletes the site; False when it is unknown, or beyond what the transaction may see.

    Raises Conflicting while a lifter belongs to it, a live key is bound to it, or another transaction holds it, and
    StorageUnavailable.
    """
    alone = await _alone(w, tenant_id, name)
    if not await known_sites(w, tenant_id, [name]):
        return False
    if not alone or await _has_lifters(w, tenant_id, name) or await _has_live_keys(w, tenant_id, name, now):
        told = "lifters belong to this site or live keys are bound to it; move, erase or revoke them first"
        raise Conflicting((Fault("site", told, "parameter"),))
    await w.execute(delete(sites).where(sites.c.tenant_id == tenant_id, sites.c.name == name))
    return True


def check_site(name: str) -> None:
    """Raises SettingsInvalid for a name no site can have."""
    if _SITE.match(name) is None:
        raise SettingsInvalid(f"site {name!r:.80}: takes {SITE_TOLD}")


def _lock(tenant_id: UUID, name: str) -> int:
    """What stands for a site among the advisory locks of PostgreSQL.

    A lock on its row would take a right to change it, which the API's role has not.
    """
    digest = hashlib.blake2b(tenant_id.bytes + name.encode(), digest_size=8, person=b"site").digest()
    return int.from_bytes(digest, signed=True)


async def _share(w: Writing, tenant_id: UUID, names: Collection[str]) -> None:
    if w.connection.dialect.name == "postgresql":  # on SQLite there is one writer
        lock = text("SELECT pg_advisory_xact_lock_shared(lock) FROM unnest(CAST(:locks AS bigint[])) AS lock")
        await w.execute(lock, {"locks": [_lock(tenant_id, name) for name in names]})


async def _alone(w: Writing, tenant_id: UUID, name: str) -> bool:
    if w.connection.dialect.name == "sqlite":
        return True
    # Only asked for: who waited for it would hold up all who want to share it, and two could wait for each other.
    lock = text("SELECT pg_try_advisory_xact_lock(:lock)")
    free: bool = (await w.execute(lock, {"lock": _lock(tenant_id, name)})).scalar_one()
    return free


async def _has_lifters(w: Writing, tenant_id: UUID, name: str) -> bool:
    some = (
        select(lifters.c.lifter_id).where(lifters.c.tenant_id == tenant_id, lifters.c.site == name).limit(1)
    )
    return (await w.execute(some)).one_or_none() is not None


async def _has_live_keys(w: Writing, tenant_id: UUID, name: str, now: datetime) -> bool:
    found = await w.execute(
        select(api_keys.c.site, api_keys.c.sites).where(
            api_keys.c.tenant_id == tenant_id,
            api_keys.c.revoked_at.is_(None),
            or_(api_keys.c.expires_at.is_(None), api_keys.c.expires_at > now),
            or_(api_keys.c.site.is_not(None), api_keys.c.sites.is_not(None)),
        )
    )
    return any(name in (row.sites or row.site).split("\n") for row in found)
