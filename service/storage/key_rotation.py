"""The end of a key: replaced by a successor while both live for a time, or revoked at once."""

from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import select, update

from service.errors import Conflicting, Fault
from service.storage.engine import Writing
from service.storage.key_token import is_key_id
from service.storage.keys import KeyRecord, NewKey, add_key, record_of
from service.storage.schema import api_keys
from service.storage.tenancy import Reach, enter, name_key


class Hours(NamedTuple):
    """A span of hours somebody may choose from."""

    least: float
    usual: float
    most: float


OVERLAP_HOURS = Hours(least=1, usual=24, most=720)


async def hold_key(w: Writing, key_id: str, within: Reach | None = None) -> KeyRecord | None:
    """The key, whom nobody else can change before the transaction ends; None when unknown or beyond `within`.

    Without `within` any tenant's: the transaction then enters that tenant. Raises StorageUnavailable.
    """
    if not is_key_id(key_id):
        return None
    if within is None:
        await name_key(w, key_id)
        tenant_id = (
            await w.execute(select(api_keys.c.tenant_id).where(api_keys.c.id == key_id))
        ).scalar_one_or_none()
        if tenant_id is None:
            return None
        within = Reach(tenant_id)
        await enter(w, within)
    row = (
        await w.execute(
            select(api_keys)
            .where(api_keys.c.tenant_id == within.tenant_id, api_keys.c.id == key_id)
            .with_for_update()
        )
    ).one_or_none()
    held = None if row is None else record_of(row)
    return held if held is not None and within.covers(held.sites) else None


async def rotate_key(w: Writing, held: KeyRecord, *, overlap: timedelta, now: datetime) -> NewKey:
    """A successor of a live key that `hold_key` holds: same tenant, scopes, sites and label.

    A key with an end gets a successor that lives as long as it was to live. The key itself ends after `overlap`, or
    earlier where it was to. Two live at most: raises Conflicting while a successor, or the key it replaced, lives.
    """
    like = held
    if held.replaced_by is not None:
        # Its own end was moved when it was replaced: how long it was to live, the successor knows.
        like = await hold_key(w, held.replaced_by, Reach(held.tenant_id)) or held
        if like.is_live(now):
            told = f"was replaced by {held.replaced_by} already; rotate that one, or revoke it first"
            raise Conflicting((Fault("key_id", told, "parameter"),))
    before = await _replaced_by(w, held)
    if before is not None and before.is_live(now):
        told = f"replaced {before.key_id}, which still lives; wait until it ends, or revoke it first"
        raise Conflicting((Fault("key_id", told, "parameter"),))
    lifetime = None if like.expires_at is None else like.expires_at - like.created_at
    made = await add_key(
        w,
        held.tenant_id,
        scopes=held.scopes,
        sites=held.sites,
        label=held.label,
        expires_at=None if lifetime is None else now + lifetime,
        now=now,
    )
    ends = now + overlap if held.expires_at is None else min(held.expires_at, now + overlap)
    await w.execute(
        update(api_keys)
        .where(api_keys.c.tenant_id == held.tenant_id, api_keys.c.id == held.key_id)
        .values(expires_at=ends, replaced_by=made.key_id)
    )
    return made


async def _replaced_by(w: Writing, held: KeyRecord) -> KeyRecord | None:
    """The key that this one replaced last."""
    found = await w.execute(
        select(api_keys)
        .where(api_keys.c.tenant_id == held.tenant_id, api_keys.c.replaced_by == held.key_id)
        .limit(1)
    )
    row = found.one_or_none()
    return None if row is None else record_of(row)


async def revoke_key(w: Writing, *, key_id: str, now: datetime, within: Reach | None = None) -> bool:
    """True when a key was revoked; False when there is none (as `hold_key` says) or it was revoked before."""
    held = await hold_key(w, key_id, within)
    if held is None or held.revoked_at is not None:
        return False
    await w.execute(
        update(api_keys)
        .where(api_keys.c.tenant_id == held.tenant_id, api_keys.c.id == key_id)
        .values(revoked_at=now)
    )
    return True
