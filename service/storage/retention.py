"""Which lifters have sets that were kept long enough, and deleting those.

What is due is looked for page by page; each lifter is then held (`lifters.lock_lifter`) in a transaction of its own.
`before` is the instant before which a set, or a profile nobody has touched since, was kept long enough.
"""

from datetime import datetime
from uuid import UUID

from msgspec import Struct
from sqlalchemy import ColumnElement, and_, delete, exists, func, select

from service.storage.engine import Reading, Writing
from service.storage.idempotency import KEPT
from service.storage.lifters import LifterRow, erase_lifter
from service.storage.schema import idempotency, lifters, performed_sets, tenants

_LIFTERS_AT_ONCE = 1000
_SETS_AT_ONCE = 5000


class LiftersDue(Struct, frozen=True, kw_only=True):
    """Lifters with something to delete, and the id to look on from; None when there are no others."""

    lifter_ids: tuple[str, ...]
    last: str | None


class Due(Struct, frozen=True, kw_only=True):
    """What is to be deleted of a lifter: how many sets, and whether nothing is to be left."""

    sets: int
    whole: bool


async def all_tenants(r: Reading) -> tuple[tuple[UUID, str], ...]:
    """Id and name of every tenant, by name. Raises StorageUnavailable."""
    found = await r.execute(select(tenants.c.id, tenants.c.name).order_by(tenants.c.name))
    return tuple((row.id, row.name) for row in found)


async def lifters_due(
    r: Reading, tenant_id: UUID, after: str | None, *, before: datetime, at_once: int = _LIFTERS_AT_ONCE
) -> LiftersDue:
    """Those of the next lifters by id, from the first for None, who have something due. Raises StorageUnavailable.

    Looks at `at_once` lifters, however few of them are due: a probe of an index for each.
    """
    older = exists().where(
        _sets_of(lifters.c.tenant_id, lifters.c.lifter_id), performed_sets.c.performed_at < before
    )
    some = exists().where(_sets_of(lifters.c.tenant_id, lifters.c.lifter_id))
    due = older | ((lifters.c.updated_at < before) & ~some)
    bounds = [lifters.c.tenant_id == tenant_id]
    if after is not None:
        bounds.append(lifters.c.lifter_id > after)
    found = await r.execute(
        select(lifters.c.lifter_id, due.label("due"))
        .where(*bounds)
        .order_by(lifters.c.lifter_id)
        .limit(at_once)
    )
    rows = found.all()
    return LiftersDue(
        lifter_ids=tuple(row.lifter_id for row in rows if row.due),
        last=rows[-1].lifter_id if len(rows) == at_once else None,
    )


async def due_of(r: Reading, tenant_id: UUID, lifter_id: str, *, before: datetime) -> Due:
    """What `delete_due` would delete now. Raises StorageUnavailable."""
    old = func.count().filter(performed_sets.c.performed_at < before)
    sets = (
        await r.execute(
            select(old.label("due"), func.count().label("all")).where(_sets_of(tenant_id, lifter_id))
        )
    ).one()
    touched = await r.execute(
        select(lifters.c.updated_at).where(lifters.c.tenant_id == tenant_id, lifters.c.lifter_id == lifter_id)
    )
    at = touched.scalar_one_or_none()
    return Due(sets=sets.due, whole=sets.due == sets.all and at is not None and at < before)


async def delete_due(w: Writing, tenant_id: UUID, lifter: LifterRow, *, before: datetime) -> Due:
    """Deletes the sets performed earlier; the whole lifter when none is left and the profile is as old.

    The lifter is held. What was learned has to be made anew when only sets are deleted. Raises StorageUnavailable.
    """
    deleted, more = 0, True
    while more:
        gone, more = await _delete_some(w, tenant_id, lifter.lifter_id, before)
        deleted += gone
    left = select(exists().where(_sets_of(tenant_id, lifter.lifter_id)))
    whole = lifter.updated_at < before and not (await w.execute(left)).scalar_one()
    if whole:
        await erase_lifter(w, tenant_id, lifter.lifter_id)
    return Due(sets=deleted, whole=whole)


async def expired_answers(r: Reading, tenant_id: UUID, *, now: datetime) -> int:
    """How many answers were kept for replay long enough. Raises StorageUnavailable."""
    expired = and_(idempotency.c.tenant_id == tenant_id, idempotency.c.created_at < now - KEPT)
    count: int = (await r.execute(select(func.count()).where(expired))).scalar_one()
    return count


async def _delete_some(w: Writing, tenant_id: UUID, lifter_id: str, before: datetime) -> tuple[int, bool]:
    """How many of the oldest sets were deleted, and whether there may be more to delete."""
    # In parts, so that no statement of a long history runs into the time limit; each part is a range of the index.
    due = and_(_sets_of(tenant_id, lifter_id), performed_sets.c.performed_at < before)
    at = performed_sets.c.performed_at
    found = await w.execute(select(at).where(due).order_by(at).offset(_SETS_AT_ONCE - 1).limit(1))
    last = found.scalar_one_or_none()
    part = due if last is None else and_(due, at <= last)
    return (await w.execute(delete(performed_sets).where(part))).rowcount, last is not None


def _sets_of(tenant_id: object, lifter_id: object) -> ColumnElement[bool]:
    return and_(performed_sets.c.tenant_id == tenant_id, performed_sets.c.lifter_id == lifter_id)
