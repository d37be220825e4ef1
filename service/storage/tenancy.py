"""Transactions for one tenant. What a lifter did is read and written in these only.

    async with tenant_writing(store, principal.tenant_id) as w:
        await insert_sets(w, principal.tenant_id, "lifter-7", sets)

Every statement names the tenant as well. That the database keeps to it too (PostgreSQL, row-level security) is
the second lock on the door: a statement that forgets its tenant finds nothing of the others.
"""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from uuid import UUID

from sqlalchemy import func, select

from service.storage.engine import Reading, Store, Writing, reading, writing


@asynccontextmanager
async def tenant_reading(store: Store, tenant_id: UUID) -> AsyncIterator[Reading]:
    """`reading`, which on PostgreSQL sees rows of this tenant only. Raises StorageUnavailable."""
    async with reading(store) as r:
        await _enter(r, tenant_id)
        yield r


@asynccontextmanager
async def tenant_writing(store: Store, tenant_id: UUID) -> AsyncIterator[Writing]:
    """`writing`, which on PostgreSQL sees and takes rows of this tenant only. Raises StorageUnavailable."""
    async with writing(store) as w:
        await _enter(w, tenant_id)
        yield w


async def _enter(session: Reading | Writing, tenant_id: UUID) -> None:
    if session.connection.dialect.name == "postgresql":
        # Until the end of the transaction: the next one on this connection may be another tenant's.
        await session.execute(select(func.set_config("app.tenant_id", str(tenant_id), True)))
