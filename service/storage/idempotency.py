"""Requests that may be sent twice: who comes again with the same Idempotency-Key gets the first answer.

    match await begin(w, tenant_id, key, digest=digest, lifter_id=lifter_id, now=now):
        case Begun():
            ...
            await finish(w, tenant_id, key, status=201, body=body)

Meant for one transaction from `begin` to the end of the work: a request that dies or fails leaves no trace, and its
key is free again.
"""

import hashlib
from datetime import datetime, timedelta
from uuid import UUID

from msgspec import Struct
from sqlalchemy import Boolean, Column, ColumnElement, and_, delete, select, update

from service.storage.engine import Writing
from service.storage.rows import fetch, insert_rows, stored
from service.storage.schema import idempotency
from service.storage.tenancy import bound_to

KEPT = timedelta(hours=24)

_COLUMNS = tuple(idempotency.c)
_NAMES = ", ".join(column.name for column in _COLUMNS)
_FREE: Column[bool] = Column("free", Boolean())

# Far longer than any statement or transaction may take: who has not finished by then never will.
_GIVEN_UP_AFTER = timedelta(minutes=5)


class Begun(Struct, frozen=True):
    """The key is new: do the work, then `finish`."""


class Replay(Struct, frozen=True):
    """The work was done before, with this answer."""

    status: int
    body: bytes


class Running(Struct, frozen=True):
    """The first request with this key has not finished yet."""


class OtherBody(Struct, frozen=True):
    """The key belongs to another request."""


async def begin(
    w: Writing, tenant_id: UUID, key: str, *, digest: bytes, lifter_id: str, now: datetime
) -> Begun | Replay | Running | OtherBody:
    """Whether to do the work of the request with this key, now or at all.

    `key` has up to 255 characters; `digest` is a hash of up to 32 bytes of everything that makes the request what
    it is: method, path and body. Keys are the tenant's, and in it those of the sites the transaction is bound to: one
    of another tenant or of other sites is another key. Never waits for the other request on PostgreSQL; on SQLite,
    where there is one writer, it does. Raises StorageUnavailable.
    """
    stored_key = _stored_key(w, key)
    if not await _alone(w, tenant_id, stored_key):
        return Running()
    # Locked, so that a replay writes to the log too: its commit then waits, as the first one did, for a synchronous
    # standby. Rows may be visible here that the standby has not got yet: after a crash of the primary, for one.
    held = "" if w.connection.dialect.name == "sqlite" else "FOR UPDATE"
    statement = f"SELECT {_NAMES} FROM idempotency WHERE tenant_id = $1 AND idempotency_key = $2 {held}"  # noqa: S608 - our own names
    known = await fetch(w, statement, [stored(w, idempotency.c.tenant_id, tenant_id), stored_key], _COLUMNS)
    first = known[0] if known else None
    new = {"lifter_id": lifter_id, "request_digest": digest, "created_at": now}
    if first is None:
        sites = bound_to(w.sites) or None
        row = {"tenant_id": tenant_id, "idempotency_key": stored_key, "sites": sites, **new}
        await insert_rows(w, idempotency, [row])
        return Begun()
    if first.request_digest != digest:
        return OtherBody()
    if first.status is not None:
        return Replay(first.status, first.body)
    if first.created_at > now - _GIVEN_UP_AFTER:
        return Running()
    await w.execute(update(idempotency).where(_is(tenant_id, stored_key)).values(new))
    return Begun()


async def finish(w: Writing, tenant_id: UUID, key: str, *, status: int, body: bytes) -> None:
    """Keeps the answer to the request that `begin` let through. Raises StorageUnavailable."""
    stored_key = _stored_key(w, key)
    statement = "UPDATE idempotency SET status = $3, body = $4 WHERE tenant_id = $1 AND idempotency_key = $2"
    await fetch(w, statement, [stored(w, idempotency.c.tenant_id, tenant_id), stored_key, status, body], ())


async def purge(w: Writing, tenant_id: UUID, *, now: datetime, at_most: int = 1000) -> int:
    """Deletes the tenant's oldest answers that were kept for 24 h, up to `at_most`; how many.

    Never waits for another who does the same. Raises StorageUnavailable.
    """
    # Apart from the DELETE: PostgreSQL may ask a subquery of it more than once, each time for others.
    oldest = (
        select(idempotency.c.idempotency_key)
        .where(idempotency.c.tenant_id == tenant_id, idempotency.c.created_at < now - KEPT)
        .order_by(idempotency.c.created_at)
        .limit(at_most)
        .with_for_update(skip_locked=True)
        .cte("oldest")
    )
    deleted = await w.execute(
        delete(idempotency)
        .where(
            idempotency.c.tenant_id == tenant_id,
            idempotency.c.idempotency_key.in_(select(oldest.c.idempotency_key)),
        )
        .returning(idempotency.c.idempotency_key)
    )
    return len(deleted.all())


async def _alone(w: Writing, tenant_id: UUID, key: str) -> bool:
    if w.connection.dialect.name == "sqlite":
        return True
    # A row that is not committed yet cannot be seen, only waited for. The lock can be asked about; it goes with the
    # transaction, however that ends.
    name = hashlib.blake2b(tenant_id.bytes + key.encode(), digest_size=8).digest()
    lock = "SELECT pg_try_advisory_xact_lock($1) AS free"
    free: bool = (await fetch(w, lock, [int.from_bytes(name, signed=True)], (_FREE,)))[0].free
    return free


def _stored_key(w: Writing, key: str) -> str:
    if w.sites is None:
        return key
    # The space keeps it apart from what callers send, which has none.
    return " " + hashlib.sha256(f"{bound_to(w.sites)}\n\n{key}".encode()).hexdigest()


def _is(tenant_id: UUID, key: str) -> ColumnElement[bool]:
    return and_(idempotency.c.tenant_id == tenant_id, idempotency.c.idempotency_key == key)
