"""Transactions for one tenant, or for some of its sites. What a lifter did is read and written in these only.

    async with writing_within(store, principal.reach) as w:
        await insert_sets(w, principal.tenant_id, "lifter-7", sets)

Every statement names the tenant as well, and takes the sites it may see from its transaction, so that no caller can
forget them. That the database keeps to both too (PostgreSQL, row-level security) is the second lock on the door: a
statement that forgets them finds nothing of the others.
"""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from uuid import UUID

from msgspec import Struct
from sqlalchemy import ColumnElement, and_, exists, func, select, true

from service.storage.engine import Reading, Store, Writing, reading, writing
from service.storage.schema import lifters


class Reach(Struct, frozen=True):
    """How far somebody sees: the tenant, and in it only lifters of `sites`, where those are not None.

    No sites at all (an empty set) reach no lifter. Lifters without a site are seen by whoever is bound to none.
    """

    tenant_id: UUID
    sites: frozenset[str] | None = None

    def covers(self, sites: frozenset[str] | None) -> bool:
        """True when nobody bound to `sites` sees further than this."""
        return self.sites is None or (sites is not None and sites <= self.sites)


@asynccontextmanager
async def reading_within(store: Store, reach: Reach) -> AsyncIterator[Reading]:
    """`reading`, in which lifters beyond `reach` are not there. Raises StorageUnavailable."""
    async with reading(store) as r:
        await enter(r, reach)
        yield Reading(r.connection, reach.sites)


@asynccontextmanager
async def writing_within(store: Store, reach: Reach) -> AsyncIterator[Writing]:
    """`writing`, in which lifters beyond `reach` are not there. Raises StorageUnavailable."""
    async with writing(store) as w:
        await enter(w, reach)
        yield Writing(w.connection, reach.sites)


@asynccontextmanager
async def tenant_reading(store: Store, tenant_id: UUID) -> AsyncIterator[Reading]:
    """`reading_within` the whole tenant: for commands, not for what a key asks. Raises StorageUnavailable."""
    async with reading_within(store, Reach(tenant_id)) as r:
        yield r


@asynccontextmanager
async def tenant_writing(store: Store, tenant_id: UUID) -> AsyncIterator[Writing]:
    """`writing_within` the whole tenant: for commands, not for what a key asks. Raises StorageUnavailable."""
    async with writing_within(store, Reach(tenant_id)) as w:
        yield w


async def enter(session: Reading | Writing, reach: Reach) -> None:
    """Tell PostgreSQL whose rows it may show and take, until the transaction ends. Raises StorageUnavailable."""
    if session.connection.dialect.name != "postgresql":
        return
    # Until the end of the transaction: the next one on this connection may be another tenant's.
    await session.execute(
        select(
            func.set_config("app.tenant_id", str(reach.tenant_id), True),
            func.set_config("app.sites", bound_to(reach.sites), True),
        )
    )


async def name_key(session: Reading | Writing, key_id: str) -> None:
    """Tell PostgreSQL which key is looked for while its tenant is unknown. Raises StorageUnavailable."""
    if session.connection.dialect.name == "postgresql":
        await session.execute(select(func.set_config("app.key_id", key_id, True)))


async def name_tenant(session: Reading | Writing, name: str) -> None:
    """Tell PostgreSQL which tenant is looked for while only its name is known. Raises StorageUnavailable."""
    if session.connection.dialect.name == "postgresql":
        await session.execute(select(func.set_config("app.tenant_name", name, True)))


def bound_to(sites: frozenset[str] | None) -> str:
    """What `app.sites` says: one name a line after an empty line, so that no site at all is not nothing; "" unbound."""
    return "" if sites is None else "\n" + "\n".join(sorted(sites))


def in_sites(session: Reading | Writing) -> ColumnElement[bool]:
    """Of a lifter's row: the lifter belongs to a site that the transaction is bound to."""
    return true() if session.sites is None else lifters.c.site.in_(sorted(session.sites))


def of_seen_lifter(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> ColumnElement[bool]:
    """Of whatever row of a lifter's: the transaction sees the lifter."""
    if session.sites is None:
        return true()
    return exists(
        select(lifters.c.lifter_id).where(
            and_(lifters.c.tenant_id == tenant_id, lifters.c.lifter_id == lifter_id), in_sites(session)
        )
    )
