"""Reading the audit: pages newest first, filters, and how much is read for them."""

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

from sqlalchemy import text

from service.rules.learning.known import micros_of
from service.storage.audit import page_of_entries
from service.storage.engine import Reading, Store
from service.storage.tenancy import tenant_reading
from tests.storage.history import LIFTER, NOW, counting, tenant
from tests.storage.test_audit import entry, noted, page

SECOND = timedelta(seconds=1)


async def test_pages_hold_every_entry_once_newest_first(store: Store) -> None:
    """Whatever the page size; entries added meanwhile do not shift what comes after a cursor."""
    tenant_id = await tenant(store)
    ids = await noted(store, tenant_id, *(entry(at=NOW + number * SECOND) for number in range(10)))
    found: list[UUID] = []
    cursor = None
    while True:
        part = await page(store, tenant_id, limit=3, cursor=cursor)
        found += [each.entry_id for each in part.entries]
        cursor = part.next
        await noted(store, tenant_id, entry(at=NOW + timedelta(hours=1)))
        if cursor is None:
            break
    assert found == list(reversed(ids))
    assert all(newer > older for newer, older in pairwise(found))


async def test_filters_leave_out_the_rest(store: Store) -> None:
    """From inclusive, to exclusive, to the millisecond of the entry; by operation; by lifter; all at once."""
    tenant_id = await tenant(store)
    moments = [NOW, NOW + SECOND, NOW + 2 * SECOND]
    ids = [
        *await noted(store, tenant_id, *(entry(at=at) for at in moments)),
        *await noted(store, tenant_id, entry(at=NOW + 3 * SECOND, operation="putSet", lifter_id="lifter-8")),
        *await noted(store, tenant_id, entry(at=NOW + 4 * SECOND, lifter_id=None, object_id="north")),
    ]

    async def found(**asked: Any) -> list[int]:
        entries = (await page(store, tenant_id, **asked)).entries
        return sorted(ids.index(each.entry_id) for each in entries)

    def micros(at: datetime) -> int:
        return micros_of(at)

    assert await found(from_=micros(moments[1])) == [1, 2, 3, 4]
    assert await found(from_=micros(moments[1]) + 1) == [2, 3, 4]
    assert await found(to=micros(moments[1])) == [0]
    assert await found(to=micros(moments[1]) + 1) == [0, 1]
    assert await found(from_=micros(moments[1]), to=micros(moments[2])) == [1]
    assert await found(from_=-(10**18), to=10**18) == [0, 1, 2, 3, 4]
    assert await found(operation="putSet") == [3]
    assert await found(lifter_id=LIFTER) == [0, 1, 2]
    assert await found(lifter_id="lifter-8", operation="createSets") == []
    assert await found(lifter_id=LIFTER, from_=micros(moments[1]), operation="createSets") == [1, 2]
    assert await found(lifter_id="nobody") == []
    assert await found(cursor=UUID(int=0)) == []
    assert await found(cursor=UUID(int=2**128 - 1), to=micros(moments[1])) == [0]


async def test_a_page_reads_its_own_rows_only(store: Store) -> None:
    """However many entries there are, also when an operation or a lifter is rare."""
    tenant_id = await tenant(store)
    rare = [
        entry(operation="deleteLifter", lifter_id="rare", at=NOW - number * SECOND) for number in range(3)
    ]
    await noted(store, tenant_id, *rare, *(entry(at=NOW + number * SECOND) for number in range(2000)))
    async with tenant_reading(store, tenant_id) as r:
        for asked in ({}, {"operation": "deleteLifter"}, {"lifter_id": "rare"}):
            with counting(r) as cost:
                await page_of_entries(r, tenant_id, limit=2, **asked)
            assert (cost.statements, cost.rows) == (1, 3)
        plan = await _plan(store, r, "operation = 'deleteLifter'")
        assert "ix_audit_operation" in plan


async def _plan(store: Store, r: Reading, bound: str) -> str:
    explain = "EXPLAIN QUERY PLAN" if store.kind == "sqlite" else "EXPLAIN"
    query = (
        f"{explain} SELECT * FROM audit WHERE tenant_id = (SELECT id FROM tenants LIMIT 1) AND {bound} "  # noqa: S608
        "ORDER BY entry_id DESC LIMIT 3"
    )
    return repr((await r.execute(text(query))).all())
