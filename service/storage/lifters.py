"""Lifters: what is told about them once, the lock that orders their writers, and their erasure."""

from datetime import datetime
from typing import Any
from uuid import UUID

from msgspec import Struct
from sqlalchemy import ColumnElement, Row, Select, and_, delete, or_, select

from service.rules.context import Caution, Experience, Goal
from service.storage.engine import Reading, Writing
from service.storage.schema import idempotency, lifters, performed_sets, summaries
from service.storage.upsert import insert_into

# Everything that is kept about a lifter.
_KEPT = (performed_sets, summaries, idempotency, lifters)


class LifterRow(Struct, frozen=True, kw_only=True):
    """One lifter. `lifter_id` is the caller's pseudonym; `site` the tenant's own name for a place.

    `version` starts at 1 and grows with every change of the profile; a lifter who was erased and made again starts
    anew, with a later `created_at`. Times are UTC.
    """

    lifter_id: str
    experience: Experience | None
    goal: Goal | None
    cautions: tuple[Caution, ...]
    site: str | None
    created_at: datetime
    updated_at: datetime
    version: int


async def find_lifter(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> LifterRow | None:
    """The lifter, or None. Raises StorageUnavailable."""
    row = (await session.execute(_one(tenant_id, lifter_id))).one_or_none()
    return None if row is None else _lifter(row)


async def lock_lifter(
    w: Writing, tenant_id: UUID, lifter_id: str, *, create: bool, now: datetime
) -> LifterRow | None:
    """The lifter, whom no other transaction can write to before this one ends; None when unknown.

    Who writes sets or summaries calls this first. With `create` an unknown lifter is made, with an empty profile.
    Raises StorageUnavailable, also when another writer of this lifter takes too long.
    """
    row = (await w.execute(_one(tenant_id, lifter_id).with_for_update())).one_or_none()
    if row is None and create:
        upsert = insert_into(w, lifters).values(
            tenant_id=tenant_id,
            lifter_id=lifter_id,
            cautions="",
            created_at=now,
            updated_at=now,
            version=1,
        )
        # An update without a change: it waits for whoever makes the same lifter now, and takes the lock.
        row = (
            await w.execute(
                upsert.on_conflict_do_update(
                    index_elements=lifters.primary_key.columns, set_={"version": lifters.c.version}
                ).returning(*lifters.c)
            )
        ).one()
    return None if row is None else _lifter(row)


async def put_lifter(
    w: Writing,
    tenant_id: UUID,
    lifter_id: str,
    *,
    experience: Experience | None,
    goal: Goal | None,
    cautions: tuple[Caution, ...],
    site: str | None,
    now: datetime,
) -> tuple[LifterRow, bool]:
    """The lifter with this profile, and whether the lifter is new.

    A profile that is there already changes nothing, not the version either. Without a `site` the one known stays.
    Locks as `lock_lifter` does. Raises StorageUnavailable.
    """
    given = {"experience": experience, "goal": goal, "cautions": " ".join(cautions)}
    if site is not None:
        given["site"] = site
    insert = insert_into(w, lifters).values(
        tenant_id=tenant_id, lifter_id=lifter_id, created_at=now, updated_at=now, version=1, **given
    )
    put = insert.on_conflict_do_update(
        index_elements=lifters.primary_key.columns,
        set_={name: insert.excluded[name] for name in given}
        | {"updated_at": now, "version": lifters.c.version + 1},
        where=or_(*(lifters.c[name].is_distinct_from(insert.excluded[name]) for name in given)),
    ).returning(*lifters.c)
    row = (await w.execute(put)).one_or_none()
    if row is None:
        return _lifter((await w.execute(_one(tenant_id, lifter_id))).one()), False
    # Whoever changes a row makes its version at least 2.
    return _lifter(row), row.version == 1


async def erase_lifter(w: Writing, tenant_id: UUID, lifter_id: str) -> bool:
    """Deletes everything of the lifter, for good; False when unknown. Raises StorageUnavailable.

    Waits for a writer of this lifter who is under way, so that nothing of theirs is left behind.
    """
    locked = await w.execute(_one(tenant_id, lifter_id).with_for_update())
    if locked.one_or_none() is None:
        return False
    for table in _KEPT:
        await w.execute(delete(table).where(table.c.tenant_id == tenant_id, table.c.lifter_id == lifter_id))
    return True


def _is(tenant_id: UUID, lifter_id: str) -> ColumnElement[bool]:
    return and_(lifters.c.tenant_id == tenant_id, lifters.c.lifter_id == lifter_id)


def _one(tenant_id: UUID, lifter_id: str) -> Select[Any]:
    return select(lifters).where(_is(tenant_id, lifter_id))


def _lifter(row: Row[Any]) -> LifterRow:
    return LifterRow(
        lifter_id=row.lifter_id,
        experience=row.experience,
        goal=row.goal,
        cautions=tuple(row.cautions.split()),
        site=row.site,
        created_at=row.created_at,
        updated_at=row.updated_at,
        version=row.version,
    )
