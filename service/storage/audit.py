"""The audit: who changed what and when, one entry in the transaction of every change, never changed or deleted after.

    async with tenant_writing(store, tenant_id) as w:
        ...
        await record(w, tenant_id, Entry(actor="key:4fJ0aX91Qm2b", operation="createKey", outcome="created", at=now))

Entries hold no bodies, no texts and no lifter's id. A lifter stands there as a tag: a hash keyed with a secret of the
tenant's that never leaves the database. Who knows an id can find its entries, also after erasure; from the entries
alone nobody can tell the id, not even by trying all of them.
"""

import hashlib
import hmac
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal
from uuid import UUID

from msgspec import Struct
from sqlalchemy import ColumnElement, Row, select

from service.rules.learning.known import Micros
from service.storage.engine import Reading, Writing
from service.storage.identifiers import new_id
from service.storage.rows import insert_rows
from service.storage.schema import audit, tenants

Outcome = Literal["created", "changed", "deleted", "erased", "revoked"]

# What is audited: operations of the document that change something, and commands.
OPERATIONS = (
    "putLifter",
    "deleteLifter",
    "createSets",
    "putSet",
    "deleteSet",
    "createKey",
    "rotateKey",
    "revokeKey",
    "putSite",
    "deleteSite",
    "emptySandbox",
    "importSets",
    "retainSets",
)

_LONGEST_ACTOR = 255
_TAG_BYTES = 16
_TELLING_LETTERS = 4
_MOST_REMEMBERED = 4096
_MILLISECOND_MICROS = 1000
_ID_BITS_BELOW_MILLISECONDS = 80
_LAST_MILLISECOND = 2**48 - 1

# Secrets of tenants, each committed with its tenant, before the first lifter, and the same for ever: a change costs one
# statement more, not two.
_secrets: dict[UUID, bytes] = {}


class Entry(Struct, frozen=True, kw_only=True):
    """One change. `lifter_id` goes no further than `record`, which stores its tag.

    `actor` is `key:<key id>`, `token:<hash of the subject>` or `command:<name>`; `object_id` the key id or site name
    it was done to, where that was no lifter; `sets` how many sets were stored, changed or deleted.
    """

    actor: str
    operation: str
    outcome: Outcome
    at: datetime
    lifter_id: str | None = None
    object_id: str | None = None
    request_id: str | None = None
    sets: int = 0


class Recorded(Struct, frozen=True, kw_only=True):
    """One entry as it is stored. `recorded_at` is UTC, to the millisecond; `lifter_tag` hexadecimal."""

    entry_id: UUID
    recorded_at: datetime
    actor: str
    operation: str
    outcome: str
    lifter_tag: str | None
    object_id: str | None
    request_id: str | None
    sets: int


class AuditPage(Struct, frozen=True, kw_only=True):
    """Entries, newest first, and the `cursor` of the page after this one; None when this is the last."""

    entries: tuple[Recorded, ...]
    next: UUID | None


async def record(w: Writing, tenant_id: UUID, entry: Entry) -> UUID:
    """The id of the new entry. The transaction is one of `tenant_writing`, or has entered the tenant.

    Raises StorageUnavailable.
    """
    return (await record_all(w, tenant_id, [entry]))[0]


async def record_all(w: Writing, tenant_id: UUID, entries: Sequence[Entry]) -> tuple[UUID, ...]:
    """The ids of the new entries, in order; as `record`, in one statement. Raises StorageUnavailable."""
    rows = [await _row(w, tenant_id, entry) for entry in entries]
    if rows:
        await insert_rows(w, audit, rows)
    return tuple(row["entry_id"] for row in rows)


async def find_entry(r: Reading, tenant_id: UUID, entry_id: UUID) -> Recorded | None:
    """The entry, or None. Raises StorageUnavailable."""
    found = await r.execute(select(audit).where(audit.c.tenant_id == tenant_id, audit.c.entry_id == entry_id))
    row = found.one_or_none()
    return None if row is None else _recorded(row)


async def page_of_entries(
    r: Reading,
    tenant_id: UUID,
    *,
    limit: int,
    cursor: UUID | None = None,
    operation: str | None = None,
    lifter_id: str | None = None,
    from_: Micros | None = None,
    to: Micros | None = None,
) -> AuditPage:
    """Up to `limit` entries before `cursor`, newest first by id, which is by time.

    Of one operation, or of one lifter, when named; recorded at `from_` or later and before `to`. Any number and any id
    is a position. Raises StorageUnavailable.
    """
    bounds = [audit.c.tenant_id == tenant_id, *_between(cursor, from_, to)]
    if operation is not None:
        bounds.append(audit.c.operation == operation)
    if lifter_id is not None:
        bounds.append(audit.c.lifter_tag == _tag(await _secret(r, tenant_id), tenant_id, lifter_id))
    found = await r.execute(select(audit).where(*bounds).order_by(audit.c.entry_id.desc()).limit(limit + 1))
    entries = tuple(_recorded(row) for row in found)
    more = len(entries) > limit
    return AuditPage(entries=entries[:limit], next=entries[limit - 1].entry_id if more else None)


async def _row(w: Writing, tenant_id: UUID, entry: Entry) -> dict[str, Any]:
    tag = None
    if entry.lifter_id is not None:
        tag = _tag(await _secret(w, tenant_id), tenant_id, entry.lifter_id)
    at = entry.at.astimezone(UTC)
    return {
        "tenant_id": tenant_id,
        "entry_id": new_id(at),
        # The id says the same, so that time and order never differ.
        "recorded_at": at - timedelta(microseconds=at.microsecond % _MILLISECOND_MICROS),
        "actor": entry.actor[:_LONGEST_ACTOR],
        "operation": entry.operation,
        "outcome": entry.outcome,
        "lifter_tag": tag,
        "object_id": entry.object_id,
        "request_id": None if _names_lifter(entry) else entry.request_id,
        "sets": entry.sets,
    }


def _names_lifter(entry: Entry) -> bool:
    """A caller chooses X-Request-Id, and may have put the lifter's id in. A short id stands in any text by chance."""
    lifter_id = entry.lifter_id or ""
    return len(lifter_id) >= _TELLING_LETTERS and lifter_id.casefold() in (entry.request_id or "").casefold()


def _tag(secret: bytes, tenant_id: UUID, lifter_id: str) -> bytes:
    # Source: RFC 2104 (HMAC); half of SHA-256 is more than enough to tell lifters apart.
    return hmac.digest(secret, tenant_id.bytes + lifter_id.encode(), hashlib.sha256)[:_TAG_BYTES]


async def _secret(session: Reading | Writing, tenant_id: UUID) -> bytes:
    """Made by the database together with the tenant."""
    known = _secrets.get(tenant_id)
    if known is None:
        found = await session.execute(select(tenants.c.audit_secret).where(tenants.c.id == tenant_id))
        known = bytes(found.scalar_one())
        if len(_secrets) >= _MOST_REMEMBERED:
            _secrets.clear()
        _secrets[tenant_id] = known
    return known


def _between(cursor: UUID | None, from_: Micros | None, to: Micros | None) -> list[ColumnElement[bool]]:
    bounds: list[ColumnElement[bool]] = []
    if from_ is not None:
        bounds.append(audit.c.entry_id >= _first_id(from_))
    # Of two upper bounds only the lower: given both, a database may start at the higher and read its way down.
    upper = [each for each in (cursor, None if to is None else _first_id(to)) if each is not None]
    if upper:
        bounds.append(audit.c.entry_id < min(upper))
    return bounds


def _first_id(micros: Micros) -> UUID:
    """The lowest id of the first millisecond that is not before an instant."""
    millisecond = -(-micros // _MILLISECOND_MICROS)
    return UUID(int=min(max(millisecond, 0), _LAST_MILLISECOND) << _ID_BITS_BELOW_MILLISECONDS)


def _recorded(row: Row[Any]) -> Recorded:
    tag = row.lifter_tag
    return Recorded(
        entry_id=row.entry_id,
        recorded_at=row.recorded_at,
        actor=row.actor,
        operation=row.operation,
        outcome=row.outcome,
        lifter_tag=None if tag is None else bytes(tag).hex(),
        object_id=row.object_id,
        request_id=row.request_id,
        sets=row.sets,
    )
