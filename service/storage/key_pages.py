"""Keys of a tenant, in pages or all of them."""

from datetime import datetime
from typing import NamedTuple

from msgspec import Struct
from sqlalchemy import ColumnElement, and_, or_, select

from service.storage.engine import Reading
from service.storage.keys import KeyRecord, find_tenant, record_of
from service.storage.schema import api_keys
from service.storage.tenancy import Reach, enter

_READ_AT_ONCE = 1000


class KeyPosition(NamedTuple):
    """Place of a key in the order of pages: when it was made, in UTC, and its id."""

    created_at: datetime
    key_id: str


class KeyPage(Struct, frozen=True, kw_only=True):
    """Keys, newest first, and the `cursor` of the page after this one; None when this is the last."""

    keys: tuple[KeyRecord, ...]
    next: KeyPosition | None


async def list_keys(r: Reading, *, tenant: str) -> tuple[KeyRecord, ...]:
    """All keys of `tenant`, revoked and expired ones too, oldest first; empty for an unknown tenant.

    Raises SettingsInvalid for a name no tenant can have.
    """
    tenant_id = await find_tenant(r, tenant)
    if tenant_id is None:
        return ()
    reach = Reach(tenant_id)
    await enter(r, reach)
    found: list[KeyRecord] = []
    cursor: KeyPosition | None = None
    while True:
        page = await page_of_keys(r, reach, limit=_READ_AT_ONCE, cursor=cursor)
        found += page.keys
        cursor = page.next
        if cursor is None:
            return tuple(reversed(found))


async def page_of_keys(r: Reading, reach: Reach, *, limit: int, cursor: KeyPosition | None = None) -> KeyPage:
    """Up to `limit` keys of the tenant older than `cursor`, as far as `reach` covers their sites, newest first.

    Raises StorageUnavailable.
    """
    found: list[KeyRecord] = []
    while len(found) <= limit:  # one more tells whether there is another page
        read = await _older(r, reach, cursor, limit + 1)
        found += [record for record in read if reach.covers(record.sites)]
        if len(read) <= limit:
            break
        cursor = _place(read[-1])
    shown = tuple(found[:limit])
    return KeyPage(keys=shown, next=_place(shown[-1]) if len(found) > limit else None)


async def _older(r: Reading, reach: Reach, cursor: KeyPosition | None, most: int) -> list[KeyRecord]:
    bounds = [api_keys.c.tenant_id == reach.tenant_id]
    if cursor is not None:
        bounds.append(_before(cursor))
    newest_first = (api_keys.c.created_at.desc(), api_keys.c.id.desc())
    found = await r.execute(select(api_keys).where(*bounds).order_by(*newest_first).limit(most))
    return [record_of(row) for row in found]


def _before(cursor: KeyPosition) -> ColumnElement[bool]:
    made, key_id = api_keys.c.created_at, api_keys.c.id
    return or_(made < cursor.created_at, and_(made == cursor.created_at, key_id < cursor.key_id))


def _place(record: KeyRecord) -> KeyPosition:
    return KeyPosition(record.created_at, record.key_id)
