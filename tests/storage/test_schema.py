"""House rules of the tables: names, key order, ids without sequences, times with an offset."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import PrimaryKeyConstraint, Table, insert, select
from sqlalchemy.exc import StatementError

from service.storage.engine import Store, reading, writing
from service.storage.identifiers import new_id
from service.storage.schema import metadata, tenants

NOW = datetime(2026, 12, 1, 18, 30, 15, 123456, tzinfo=UTC)


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=str)
def test_tenant_comes_first_in_the_key(table: Table) -> None:
    """Every table of a tenant starts its primary key with the tenant."""
    if "tenant_id" in table.c:
        assert next(iter(table.primary_key.columns)).name == "tenant_id"


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=str)
def test_no_column_takes_its_value_from_a_sequence(table: Table) -> None:
    """Several databases can take rows without agreeing on the next number."""
    assert table.autoincrement_column is None


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=str)
def test_every_constraint_has_a_name(table: Table) -> None:
    """A later migration can only change what it can name."""
    assert all(constraint.name for constraint in table.constraints)
    assert any(isinstance(constraint, PrimaryKeyConstraint) for constraint in table.constraints)


def test_ids_are_version_7_and_sort_by_time() -> None:
    """An id made a millisecond later is greater, and carries its time in the first 48 bits."""
    earlier, later = new_id(NOW), new_id(NOW + timedelta(milliseconds=1))
    assert earlier < later
    assert earlier.version == 7
    assert earlier.variant == "specified in RFC 4122"
    assert earlier.int >> 80 == 1_796_149_815_123


async def test_time_comes_back_as_the_same_instant_in_utc(store: Store) -> None:
    """An offset going in changes nothing but the spelling coming out."""
    given = NOW.astimezone(timezone(timedelta(hours=5, minutes=45)))
    async with writing(store) as w:
        await w.execute(insert(tenants).values(id=new_id(NOW), name="offset", created_at=given))
    async with reading(store) as r:
        stored = (await r.execute(select(tenants.c.created_at))).scalar_one()
    assert stored == NOW
    assert stored.tzinfo is UTC


async def test_time_without_an_offset_is_refused(store: Store) -> None:
    """A naive time would mean another instant on another machine."""
    naive = NOW.replace(tzinfo=None)
    async with writing(store) as w:
        with pytest.raises(StatementError, match="needs an offset"):
            await w.execute(insert(tenants).values(id=new_id(NOW), name="naive", created_at=naive))
