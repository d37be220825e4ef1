"""Reading sets on both databases: pages newest first, everything oldest first, at a cost that does not grow."""

from collections.abc import AsyncIterator
from datetime import timedelta
from random import Random
from typing import Any
from uuid import UUID

import pytest

from service.rules.learning.known import EPOCH, Micros, micros_of
from service.rules.learning.performed import PerformedSet
from service.storage.engine import Reading, Store
from service.storage.performed_sets import (
    Position,
    page_of_sets,
    position_of,
    sets_after,
    sets_oldest_first,
)
from service.storage.tenancy import tenant_reading
from tests.storage.history import LIFTER, NOW, add, counting, performed, tenant

MINUTE = timedelta(minutes=1)


def scattered(count: int) -> list[PerformedSet]:
    """Sets of two exercises in no order, many at the same instant, written in several offsets."""
    random = Random(7)
    numbers = random.sample(range(1, 1_000_000), count)
    sets = []
    for number in numbers:
        zone = random.choice(("+05:45", "-03:30", "+00:00"))
        local = (NOW + random.randrange(count // 3) * MINUTE).replace(tzinfo=None)
        members = {"exercise": random.choice(("leg_press", "barbell_bench_press"))}
        sets.append(performed(number, at=f"{local.isoformat()}{zone}".replace("+00:00", "Z"), **members))
    return sets


def in_order(sets: list[PerformedSet]) -> list[PerformedSet]:
    """Oldest first, as the contract orders them."""
    return sorted(sets, key=position_of)


async def walk(r: Reading, tenant_id: UUID, *, limit: int, **filters: Any) -> list[PerformedSet]:
    """All pages, one after the other."""
    found: list[PerformedSet] = []
    cursor: Position | None = None
    while True:
        page = await page_of_sets(r, tenant_id, LIFTER, limit=limit, cursor=cursor, **filters)
        assert len(page.sets) <= limit
        found += page.sets
        cursor = page.next
        if cursor is None:
            return found
        assert len(page.sets) == limit


async def listed(sets: AsyncIterator[PerformedSet]) -> list[PerformedSet]:
    """All of them."""
    return [performed async for performed in sets]


@pytest.mark.parametrize("limit", [1, 7, 60, 500])
async def test_pages_hold_each_set_once_newest_first(store: Store, limit: int) -> None:
    """Also where sets share an instant or end with a page; other lifters' sets are on none."""
    tenant_id = await tenant(store)
    sets = scattered(60)
    await add(store, tenant_id, sets)
    await add(store, tenant_id, scattered(20), "lifter-8")
    async with tenant_reading(store, tenant_id) as r:
        assert await walk(r, tenant_id, limit=limit) == in_order(sets)[::-1]


async def test_pages_can_be_of_one_exercise_and_one_time(store: Store) -> None:
    """From is inclusive, to is exclusive, to the microsecond, and both hold on every page."""
    tenant_id = await tenant(store)
    sets = scattered(90)
    await add(store, tenant_id, sets)
    from_, to = (micros_of(NOW + minutes * MINUTE) for minutes in (5, 20))
    wanted = [s for s in in_order(sets) if s.exercise == "leg_press" and from_ <= position_of(s)[0] < to]
    assert any(position_of(s)[0] == from_ for s in wanted)
    async with tenant_reading(store, tenant_id) as r:
        assert await walk(r, tenant_id, limit=4, exercise="leg_press", from_=from_, to=to) == wanted[::-1]
        assert await walk(r, tenant_id, limit=4, exercise="cable_fly") == []


async def test_set_at_a_bound_is_in_from_and_not_in_to(store: Store) -> None:
    """One microsecond decides."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(1, at="2026-11-30T18:00:00.000001Z")])
    at = micros_of(NOW.replace(month=11, day=30, hour=18, minute=0)) + 1
    async with tenant_reading(store, tenant_id) as r:
        expected: list[tuple[dict[str, Any], int]] = [
            ({"from_": at}, 1),
            ({"from_": at + 1}, 0),
            ({"to": at}, 0),
            ({"to": at + 1}, 1),
        ]
        for bounds, found in expected:
            assert len((await page_of_sets(r, tenant_id, LIFTER, limit=9, **bounds)).sets) == found


async def test_cursor_and_bound_both_hold(store: Store) -> None:
    """Whichever of the two is earlier, also at one instant."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(number, at=NOW + number // 3 * MINUTE) for number in range(1, 10)])
    at = [micros_of(NOW + minutes * MINUTE) for minutes in range(5)]
    async with tenant_reading(store, tenant_id) as r:
        for cursor, to, newest in (
            ((at[1], UUID(int=4)), at[4], 3),
            ((at[4], UUID(int=1)), at[1], 2),
            ((at[1], UUID(int=5)), at[1], 2),
            ((at[1], UUID(int=5)), at[1] + 1, 4),
        ):
            page = await page_of_sets(r, tenant_id, LIFTER, limit=1, cursor=cursor, to=to)
            assert page.sets[0].set_id == UUID(int=newest)


async def test_page_goes_on_where_it_stopped_when_its_last_set_is_gone(store: Store) -> None:
    """A cursor is a place in the order, not a row; sets that came in later do not shift it."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(number) for number in range(1, 10)])
    gone = (micros_of(NOW + 3 * 4 * MINUTE) + 1, UUID(int=4))
    async with tenant_reading(store, tenant_id) as r:
        page = await page_of_sets(r, tenant_id, LIFTER, limit=2, cursor=gone)
    assert page.sets == (performed(4), performed(3))


@pytest.mark.parametrize(
    ("micros", "found"),
    [(-(2**63), 0), (-1, 0), (0, 0), (2**62, 1), (2**63 - 1, 1), (10**30, 1), (-(10**30), 0)],
)
async def test_any_number_is_a_position(store: Store, micros: Micros, found: int) -> None:
    """A cursor or bound out of the calendar's range lies before or after everything."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(1)])
    async with tenant_reading(store, tenant_id) as r:
        cursor = (micros, UUID(int=2**128 - 1))
        assert len((await page_of_sets(r, tenant_id, LIFTER, limit=9, cursor=cursor)).sets) == found
        assert len((await page_of_sets(r, tenant_id, LIFTER, limit=9, to=micros)).sets) == found
        assert len((await page_of_sets(r, tenant_id, LIFTER, limit=9, from_=micros)).sets) == 1 - found
        assert len(await listed(sets_oldest_first(r, tenant_id, LIFTER, until=micros))) == found


async def test_sets_come_oldest_first_up_to_an_instant(store: Store) -> None:
    """Those at the instant itself included; without one all of them."""
    tenant_id = await tenant(store)
    sets = in_order(scattered(60))
    await add(store, tenant_id, sets)
    until = position_of(sets[30])[0]
    async with tenant_reading(store, tenant_id) as r:
        assert await listed(sets_oldest_first(r, tenant_id, LIFTER)) == sets
        found = await listed(sets_oldest_first(r, tenant_id, LIFTER, until=until))
        assert found == [s for s in sets if position_of(s)[0] <= until]
        assert await listed(sets_oldest_first(r, tenant_id, "nobody")) == []


async def test_sets_after_a_position_come_oldest_first(store: Store) -> None:
    """The position itself left out, as many as asked for."""
    tenant_id = await tenant(store)
    sets = in_order(scattered(60))
    await add(store, tenant_id, sets)
    async with tenant_reading(store, tenant_id) as r:
        assert await sets_after(r, tenant_id, LIFTER, position_of(sets[10]), limit=7) == tuple(sets[11:18])
        assert await sets_after(r, tenant_id, LIFTER, position_of(sets[-1])) == ()


async def store_many(store: Store, tenant_id: UUID, count: int) -> list[PerformedSet]:
    """So many sets, five at the same instant each."""
    sets = [performed(number, at=NOW + number // 5 * MINUTE) for number in range(1, count + 1)]
    for start in range(0, count, 1000):
        await add(store, tenant_id, sets[start : start + 1000])
    return sets


@pytest.mark.parametrize("count", [100, 20_000])
async def test_page_costs_one_statement_and_its_own_rows(store: Store, count: int) -> None:
    """However long the history is, and wherever the page lies in it."""
    tenant_id = await tenant(store)
    sets = await store_many(store, tenant_id, count)
    middle = position_of(sets[count // 2])
    async with tenant_reading(store, tenant_id) as r:
        for filters in ({}, {"cursor": middle}, {"exercise": "barbell_bench_press", "from_": 0}):
            with counting(r) as asked:
                page = await page_of_sets(r, tenant_id, LIFTER, limit=20, **filters)
            assert len(page.sets) == 20
            assert (asked.statements, asked.rows) == (1, 21)


async def test_long_history_is_read_in_chunks(store: Store) -> None:
    """At most 1,000 sets are in memory, each comes once and in order, chunks ending within an instant or not."""
    tenant_id = await tenant(store)
    sets = await store_many(store, tenant_id, 2_500)
    async with tenant_reading(store, tenant_id) as r:
        with counting(r) as asked:
            assert await listed(sets_oldest_first(r, tenant_id, LIFTER)) == sets
        assert (asked.statements, asked.rows) == (3, 2_500)
        with counting(r) as asked:
            async for first in sets_oldest_first(r, tenant_id, LIFTER):
                assert first == sets[0]
                break
        assert (asked.statements, asked.rows) == (1, 1_000)


def test_position_is_the_instant_and_the_id() -> None:
    """In microseconds since 1970, whatever the offset."""
    found = position_of(performed(3, at="2000-01-01T01:00:00.000005+01:00"))
    assert found == (946_684_800_000_005, UUID(int=3))
    assert micros_of(EPOCH) == 0
