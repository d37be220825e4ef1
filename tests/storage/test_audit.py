"""The audit: one entry for a change, in its transaction; only added to; telling nothing of a lifter's id."""

from datetime import UTC, timedelta
from typing import Any
from uuid import UUID

import pytest
from asyncpg import PostgresError  # type: ignore[import-untyped]  # asyncpg ships no types
from sqlalchemy import insert, select, text
from sqlalchemy.exc import DBAPIError

from service.errors import StorageUnavailable
from service.rules.learning.known import micros_of
from service.storage.audit import (
    OPERATIONS,
    AuditPage,
    Entry,
    Recorded,
    find_entry,
    page_of_entries,
    record,
    record_all,
)
from service.storage.engine import Store, reading, writing
from service.storage.identifiers import new_id
from service.storage.schema import audit, tenants
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.databases import fresh_database
from tests.storage.history import LIFTER, NOW, another, counting, put, tenant
from tests.storage.test_erasure import traces

SECOND = timedelta(seconds=1)


def entry(**members: Any) -> Entry:
    """A change of a lifter, unless told otherwise."""
    told = {
        "actor": "key:4fJ0aX91Qm2b",
        "operation": "createSets",
        "outcome": "created",
        "at": NOW,
        "lifter_id": LIFTER,
    }
    return Entry(**(told | members))


async def noted(store: Store, tenant_id: UUID, *entries: Entry) -> tuple[UUID, ...]:
    """Ids of these entries, stored in a transaction of their own."""
    async with tenant_writing(store, tenant_id) as w:
        return await record_all(w, tenant_id, entries)


async def page(store: Store, tenant_id: UUID, **asked: Any) -> AuditPage:
    """A page of the tenant's entries."""
    async with tenant_reading(store, tenant_id) as r:
        return await page_of_entries(r, tenant_id, **({"limit": 100} | asked))


async def tag_of(store: Store, tenant_id: UUID, lifter_id: str) -> str | None:
    """The tag that a new entry about the lifter gets."""
    (entry_id,) = await noted(store, tenant_id, entry(lifter_id=lifter_id))
    async with tenant_reading(store, tenant_id) as r:
        found = await find_entry(r, tenant_id, entry_id)
    assert found is not None
    return found.lifter_tag


async def test_an_entry_comes_back_as_it_was_noted(store: Store) -> None:
    """Who, what, when to the millisecond, how much; the id is of that time."""
    tenant_id = await tenant(store)
    at = NOW + timedelta(microseconds=123_456)
    (entry_id,) = await noted(
        store,
        tenant_id,
        entry(at=at, lifter_id=None, object_id="4fJ0aX91Qm2b", request_id="r-1", sets=7, outcome="deleted"),
    )
    async with tenant_reading(store, tenant_id) as r:
        found = await find_entry(r, tenant_id, entry_id)
        assert await find_entry(r, tenant_id, new_id(NOW)) is None
    assert found == Recorded(
        entry_id=entry_id,
        recorded_at=NOW + timedelta(milliseconds=123),
        actor="key:4fJ0aX91Qm2b",
        operation="createSets",
        outcome="deleted",
        lifter_tag=None,
        object_id="4fJ0aX91Qm2b",
        request_id="r-1",
        sets=7,
    )
    assert entry_id.version == 7
    assert entry_id.int >> 80 == micros_of(found.recorded_at) // 1000


async def test_a_tag_is_the_lifters_and_the_tenants(store: Store) -> None:
    """The same each time for one lifter; another one for another lifter, or for the same id at another tenant."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    tag = await tag_of(store, one, LIFTER)
    assert tag is not None
    assert len(tag) == 32
    assert await tag_of(store, one, LIFTER) == tag
    assert len({tag, await tag_of(store, one, "lifter-8"), await tag_of(store, other, LIFTER)}) == 3


async def test_no_entry_holds_the_id_of_a_lifter(store: Store) -> None:
    """Nor does a request id that a caller made from it; a short id may stand in one by chance."""
    tenant_id = await tenant(store)
    ids = await noted(
        store,
        tenant_id,
        entry(lifter_id="canary-5f1c", request_id="log-CANARY-5f1c-1"),
        entry(lifter_id="a1", request_id="0a1f"),
    )
    assert await traces(store, tenant_id, "canary-5f1c") == {}
    async with tenant_reading(store, tenant_id) as r:
        found = [await find_entry(r, tenant_id, each) for each in ids]
    assert [each and each.request_id for each in found] == [None, "0a1f"]


async def test_what_is_rolled_back_leaves_no_entry(store: Store) -> None:
    """The entry stands and falls with the change."""
    tenant_id = await tenant(store)

    async def fail() -> None:
        async with tenant_writing(store, tenant_id) as w:
            await record(w, tenant_id, entry())
            raise RuntimeError("the change failed")

    with pytest.raises(RuntimeError):
        await fail()
    assert await page(store, tenant_id) == AuditPage(entries=(), next=None)


async def test_noting_costs_one_statement(store: Store) -> None:
    """However many entries; the tenant's secret is asked for once in the life of the process."""
    tenant_id = await tenant(store)
    await noted(store, tenant_id, entry())
    async with tenant_writing(store, tenant_id) as w:
        with counting(w) as asked:
            await record(w, tenant_id, entry())
            assert (asked.statements, asked.rows) == (1, 0)
            await record_all(w, tenant_id, [entry(lifter_id=f"lifter-{number}") for number in range(50)])
            assert (asked.statements, asked.rows) == (2, 0)
            assert await record_all(w, tenant_id, []) == ()
            assert asked.statements == 2


UPSERT = "INSERT INTO audit SELECT * FROM audit WHERE true ON CONFLICT (tenant_id, entry_id) DO UPDATE SET sets = 0"
CHANGES = {
    "sqlite": (
        "UPDATE audit SET sets = 0",
        "DELETE FROM audit",
        "DELETE FROM audit WHERE sets = 3",
        "INSERT OR REPLACE INTO audit SELECT * FROM audit",
        "REPLACE INTO audit SELECT * FROM audit",
        UPSERT,
    ),
    "postgresql": (
        "UPDATE audit SET sets = 0",
        "UPDATE audit SET sets = 0 WHERE sets = 77",
        "DELETE FROM audit",
        "TRUNCATE audit",
        UPSERT,
    ),
}
NEVER = "audit entries are never changed or deleted"


async def refusal(store: Store, tenant_id: UUID, *statements: str) -> str:
    """What the database says to these statements."""

    async def attempt() -> None:
        async with tenant_writing(store, tenant_id) as w:
            for statement in statements:
                await w.execute(text(statement))

    with pytest.raises((DBAPIError, StorageUnavailable)) as refused:
        await attempt()
    return str(refused.value.__cause__)


async def test_entries_are_never_changed_or_deleted(store: Store) -> None:
    """Whoever asks is refused: on PostgreSQL, where there are rights, for want of the right."""
    tenant_id = await tenant(store)
    await noted(store, tenant_id, entry(sets=3))
    before = await page(store, tenant_id)
    for change in CHANGES[store.kind]:
        said = await refusal(store, tenant_id, change)
        assert ("permission denied" if store.kind == "postgresql" else NEVER) in said, change
    assert await page(store, tenant_id) == before


async def test_the_owner_who_takes_the_right_is_refused_as_well() -> None:
    """On PostgreSQL the owner of the table may grant itself what was taken away: there is a trigger besides."""
    with fresh_database("postgresql") as url:
        async with another(url) as store:
            tenant_id = await tenant(store)
            await noted(store, tenant_id, entry(sets=3))
            before = await page(store, tenant_id)
            for change in CHANGES["postgresql"]:
                said = await refusal(store, tenant_id, "GRANT ALL ON audit TO CURRENT_USER", change)
                assert NEVER in said, change
            assert await page(store, tenant_id) == before


async def test_entries_of_another_tenant_are_not_there(store: Store) -> None:
    """By no id, filter or cursor; on PostgreSQL not even for a statement that forgets its tenant."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    (theirs,) = await noted(store, other, entry())
    assert (await page(store, one)).entries == ()
    assert (await page(store, one, lifter_id=LIFTER)).entries == ()
    async with tenant_reading(store, one) as r:
        assert await find_entry(r, one, theirs) is None
        if store.kind == "postgresql":
            assert (await r.execute(select(audit))).all() == []
    if store.kind == "postgresql":
        async with reading(store) as r:
            assert (await r.execute(select(audit))).all() == []
        with pytest.raises(PostgresError, match="row-level security"):
            async with tenant_writing(store, one) as w:
                await record(w, other, entry(lifter_id=None))


async def test_every_tenant_has_a_secret_of_its_own(store: Store) -> None:
    """Drawn by the database, so that a release which knows no audit can make tenants."""
    names = [f"gym-{number}" for number in range(20)]
    ids = [await tenant(store, name) for name in names]
    secrets: set[bytes] = set()
    for tenant_id in ids:
        async with tenant_reading(store, tenant_id) as r:
            found = await r.execute(select(tenants.c.audit_secret).where(tenants.c.id == tenant_id))
            secrets.add(bytes(found.scalar_one()))
    assert {len(secret) for secret in secrets} == {32}
    assert len(secrets) == len(ids)


async def test_an_actor_of_any_length_is_taken(store: Store) -> None:
    """The subject of a token may be long; it is cut, not refused."""
    tenant_id = await tenant(store)
    await noted(store, tenant_id, entry(actor="token:" + "s" * 1000))
    (found,) = (await page(store, tenant_id)).entries
    assert found.actor == "token:" + "s" * 249


async def test_an_entry_survives_the_erasure_of_its_lifter(store: Store) -> None:
    """And is found by whoever knows the id."""
    tenant_id = await tenant(store)
    await put(store, tenant_id)
    (entry_id,) = await noted(store, tenant_id, entry())
    async with tenant_writing(store, tenant_id) as w:
        await w.execute(text("DELETE FROM lifters"))
    (found,) = (await page(store, tenant_id, lifter_id=LIFTER)).entries
    assert found.entry_id == entry_id


def test_operations_are_named_once() -> None:
    """The filter's vocabulary."""
    assert len(set(OPERATIONS)) == len(OPERATIONS)


async def test_a_time_in_another_offset_is_the_same_instant(store: Store) -> None:
    """Stored in UTC."""
    tenant_id = await tenant(store)
    (entry_id,) = await noted(store, tenant_id, entry(at=NOW.astimezone(None)))
    async with writing(store) as w:
        await w.execute(insert(tenants).values(id=new_id(NOW), name="unrelated", created_at=NOW))
    async with tenant_reading(store, tenant_id) as r:
        found = await find_entry(r, tenant_id, entry_id)
    assert found is not None
    assert (found.recorded_at, found.recorded_at.tzinfo) == (NOW, UTC)
