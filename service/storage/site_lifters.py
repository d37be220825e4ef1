"""Lifters by id, a stretch at a time, for commands that go through all of a tenant or a site."""

from uuid import UUID

from sqlalchemy import select

from service.storage.engine import Reading
from service.storage.schema import lifters
from service.storage.tenancy import in_sites


async def lifter_ids(
    r: Reading, tenant_id: UUID, *, after: str = "", until: str | None = None, limit: int | None = None
) -> tuple[str, ...]:
    """Ids above `after`, up to and with `until`, in the database's own order, of lifters that the transaction may see.

    Raises StorageUnavailable.
    """
    wanted = select(lifters.c.lifter_id).where(
        lifters.c.tenant_id == tenant_id, lifters.c.lifter_id > after, in_sites(r)
    )
    if until is not None:
        wanted = wanted.where(lifters.c.lifter_id <= until)
    found = await r.execute(wanted.order_by(lifters.c.lifter_id).limit(limit))
    return tuple(found.scalars())
