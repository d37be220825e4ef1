"""Lifters: what is told about them once, the lock that orders their writers, and their erasure."""

from datetime import datetime
from typing import Any
from uuid import UUID

from msgspec import Struct
from sqlalchemy import ColumnElement, Select, and_, delete, select, update

from service.errors import NotFound
from service.rules.context import Caution, Experience, Goal
from service.storage.engine import Reading, Writing
from service.storage.rows import fetch, insert_rows, listed, one_of, stored
from service.storage.schema import idempotency, lifters, performed_sets, summaries
from service.storage.tenancy import in_sites

# Everything that is kept about a lifter.
_KEPT = (performed_sets, summaries, idempotency, lifters)
_COLUMNS = tuple(lifters.c)
_NAMES = ", ".join(column.name for column in _COLUMNS)
# Between not finding and not making a lifter another may have been made or erased; hardly twice.
_ROUNDS = 3


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


class Erased(Struct, frozen=True, kw_only=True):
    """What an erasure took: how many sets."""

    sets: int


async def find_lifter(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> LifterRow | None:
    """The lifter, or None when unknown or at a site beyond the transaction's. Raises StorageUnavailable."""
    row = (await session.execute(_one(session, tenant_id, lifter_id))).one_or_none()
    return None if row is None else _lifter(row)


async def lock_lifter(
    w: Writing, tenant_id: UUID, lifter_id: str, *, create: bool, now: datetime, site: str | None = None
) -> LifterRow | None:
    """The lifter, whom no other transaction can write to before this one ends; None when unknown.

    Who writes sets or summaries calls this first. With `create` an unknown lifter is made, with an empty profile, at
    `site`. Raises NotFound when the id is taken by a lifter whom the transaction does not see, and
    StorageUnavailable, also when another writer of this lifter takes too long.
    """
    for _ in range(_ROUNDS):
        row = await _held(w, tenant_id, lifter_id)
        if row is None and create:
            row = await _made(w, tenant_id, lifter_id, {"cautions": "", "site": site}, now)
        if row is not None or not create:
            return None if row is None else _lifter(row)
    raise _elsewhere()


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
    Locks and raises as `lock_lifter` does.
    """
    given = {"experience": experience, "goal": goal, "cautions": " ".join(cautions)}
    if site is not None:
        given["site"] = site
    for _ in range(_ROUNDS):
        held = await _held(w, tenant_id, lifter_id)
        if held is None:
            made = await _made(w, tenant_id, lifter_id, given, now)
            if made is not None:
                return _lifter(made), True
            continue
        if all(getattr(held, name) == value for name, value in given.items()):
            return _lifter(held), False
        changed = (
            update(lifters)
            .where(_is(w, tenant_id, lifter_id))
            .values(**given, updated_at=now, version=lifters.c.version + 1)
            .returning(*lifters.c)
        )
        return _lifter((await w.execute(changed)).one()), False
    raise _elsewhere()


async def erase_lifter(w: Writing, tenant_id: UUID, lifter_id: str) -> Erased | None:
    """Deletes everything of the lifter, for good; None when unknown. Raises StorageUnavailable.

    Waits for a writer of this lifter who is under way, so that nothing of theirs is left behind.
    """
    if await _held(w, tenant_id, lifter_id) is None:
        return None
    deleted = {
        table.name: await w.execute(
            delete(table).where(table.c.tenant_id == tenant_id, table.c.lifter_id == lifter_id)
        )
        for table in _KEPT
    }
    return Erased(sets=deleted[performed_sets.name].rowcount)


async def erase_lifters(w: Writing, tenant_id: UUID) -> Erased:
    """Deletes everything of every lifter of the tenant, for good. Raises StorageUnavailable.

    Waits for writers who are under way; whoever writes after that makes a lifter anew.
    """
    held = select(lifters.c.lifter_id).where(lifters.c.tenant_id == tenant_id, in_sites(w))
    await w.execute(held.order_by(lifters.c.lifter_id).with_for_update())
    deleted = {
        table.name: await w.execute(delete(table).where(table.c.tenant_id == tenant_id)) for table in _KEPT
    }
    return Erased(sets=deleted[performed_sets.name].rowcount)


def _elsewhere() -> NotFound:
    return NotFound("no lifter of this id at the sites of this key")


async def _made(
    w: Writing, tenant_id: UUID, lifter_id: str, given: dict[str, str | None], now: datetime
) -> Any:
    """The row of a new lifter; None when the id is taken. Waits for whoever makes or erases the same lifter now."""
    new = {"tenant_id": tenant_id, "lifter_id": lifter_id, "created_at": now, "updated_at": now, "version": 1}
    made = await insert_rows(w, lifters, [new | given], on_conflict="keep", returning=_COLUMNS)
    return made[0] if made else None


async def _held(w: Writing, tenant_id: UUID, lifter_id: str) -> Any:
    """The row of the lifter, from now on held; None when there is none to be seen."""
    told = [stored(w, lifters.c.tenant_id, tenant_id), lifter_id]
    seen = ""
    if w.sites is not None:
        seen = f"AND site {one_of(w, 3)}"
        told.append(listed(w, w.sites))
    held = "" if w.connection.dialect.name == "sqlite" else "FOR UPDATE"
    statement = f"SELECT {_NAMES} FROM lifters WHERE tenant_id = $1 AND lifter_id = $2 {seen} {held}"  # noqa: S608 - our own names
    found = await fetch(w, statement, told, _COLUMNS)
    return found[0] if found else None


def _is(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> ColumnElement[bool]:
    return and_(lifters.c.tenant_id == tenant_id, lifters.c.lifter_id == lifter_id, in_sites(session))


def _one(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> Select[Any]:
    return select(lifters).where(_is(session, tenant_id, lifter_id))


def _lifter(row: Any) -> LifterRow:
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
