"""Performed sets on both databases: stored once each, given back as they were sent, replaced, deleted."""

from typing import Any
from uuid import UUID

import msgspec
import pytest

from service.rules.learning.performed import PerformedSet
from service.storage.engine import Store
from service.storage.lifters import lock_lifter
from service.storage.performed_sets import (
    Inserted,
    delete_set,
    find_set,
    insert_sets,
    page_of_sets,
    replace_set,
)
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.storage.history import LIFTER, NOW, add, counting, performed, tenant

EVERYTHING: dict[str, Any] = {
    "reported_rir": 1.5,
    "rir_call": {"at_rep": 6, "reps_left": 2.5},
    "prescribed_rir": 2,
    "exercise_order": 3,
    "set_order": 30,
    "velocity_loss_percent": 33.3,
    "note": "felt heavy — «übel» 🏋\n",
    "set_endpoint": "momentary_failure",
    "load_kg": 0.1,
    "reps": 200,
}


async def stored(store: Store, tenant_id: UUID, number: int, lifter_id: str = LIFTER) -> PerformedSet | None:
    """What `find_set` says in a transaction of its own."""
    async with tenant_reading(store, tenant_id) as r:
        return await find_set(r, tenant_id, lifter_id, UUID(int=number))


async def all_stored(store: Store, tenant_id: UUID, lifter_id: str = LIFTER) -> tuple[PerformedSet, ...]:
    """Up to 500 sets, newest first."""
    async with tenant_reading(store, tenant_id) as r:
        return (await page_of_sets(r, tenant_id, lifter_id, limit=500)).sets


def told(done: Inserted) -> tuple[Any, ...]:
    """Ids of new and of known sets, and places in conflict."""
    return set(done.new), set(done.known), done.conflicting


@pytest.mark.parametrize("members", [{}, EVERYTHING], ids=["required members", "all members"])
async def test_set_comes_back_as_it_was_sent(store: Store, members: dict[str, Any]) -> None:
    """Every member, with its type, and None for what was left out."""
    tenant_id = await tenant(store)
    sent = performed(5, at="2026-11-30T23:59:59.123456+05:45", **members)
    await add(store, tenant_id, [sent])
    found = await stored(store, tenant_id, 5)
    assert found == sent
    assert msgspec.json.encode(found) == msgspec.json.encode(sent)


@pytest.mark.parametrize(
    ("sent", "given_back"),
    [
        ("2026-11-30T18:00:00Z", "2026-11-30T18:00:00Z"),
        ("2026-11-30T18:00:00.5+00:00", "2026-11-30T18:00:00.500000Z"),
        ("2026-11-30T18:00:00.123456789-03:30", "2026-11-30T18:00:00.123456-03:30"),
        ("2026-12-31T00:10:00-00:30", "2026-12-31T00:10:00-00:30"),
        ("2000-01-01T23:59:00+23:59", "2000-01-01T23:59:00+23:59"),
        ("2000-01-01T00:00:00-23:59", "2000-01-01T00:00:00-23:59"),
    ],
)
async def test_time_comes_back_in_its_own_offset(store: Store, sent: str, given_back: str) -> None:
    """The same instant, to the microsecond, as the lifter's clock showed it."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(at=sent)])
    found = await stored(store, tenant_id, 1)
    assert found is not None
    assert found.performed_at == given_back


async def test_new_sets_are_told_apart_from_known_ones(store: Store) -> None:
    """A repeated set is harmless and stays as it was first stored; equal instants are equal content."""
    tenant_id = await tenant(store)
    first = performed(1, at="2026-11-30T18:00:00Z")
    done = await add(store, tenant_id, [first, performed(2)])
    assert told(done) == ({UUID(int=1), UUID(int=2)}, set(), ())
    done = await add(store, tenant_id, [performed(1, at="2026-11-30T19:00:00.000+01:00"), performed(3)])
    assert told(done) == ({UUID(int=3)}, {UUID(int=1)}, ())
    assert await stored(store, tenant_id, 1) == first


async def test_new_sets_are_given_oldest_first_and_once(store: Store) -> None:
    """Whatever their order in the batch: ready to learn from."""
    tenant_id = await tenant(store)
    batch = [performed(number) for number in (3, 1, 2, 1)]
    done = await add(store, tenant_id, batch)
    assert done.new_sets == (performed(1), performed(2), performed(3))
    assert len(await all_stored(store, tenant_id)) == 3


@pytest.mark.parametrize("member", sorted(EVERYTHING))
async def test_other_content_under_a_known_id_conflicts(store: Store, member: str) -> None:
    """Whichever member differs, also from one left out; the places in the batch are told."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(1), performed(2)])
    batch = [performed(3), performed(1), performed(2, **{member: EVERYTHING[member]})]
    done = await add(store, tenant_id, batch)
    assert told(done) == ({UUID(int=3)}, {UUID(int=1)}, (2,))
    assert await stored(store, tenant_id, 2) == performed(2)


async def test_two_contents_under_one_new_id_conflict(store: Store) -> None:
    """Within one batch the first counts, and the place of the other is told; equal ones are harmless."""
    tenant_id = await tenant(store)
    batch = [performed(1), performed(1), performed(1, reps=9), performed(1, at=NOW)]
    done = await add(store, tenant_id, batch)
    assert told(done) == ({UUID(int=1)}, set(), (2, 3))


async def test_id_that_is_known_and_conflicting_is_not_called_known(store: Store) -> None:
    """One equal and one other content in a batch: it is a conflict."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(1)])
    done = await add(store, tenant_id, [performed(1), performed(1, reps=9)])
    assert told(done) == (set(), set(), (1,))


async def insert_and_raise(store: Store, tenant_id: UUID) -> None:
    """Stores a lifter and a set, and fails afterwards."""
    async with tenant_writing(store, tenant_id) as w:
        await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)
        await insert_sets(w, tenant_id, LIFTER, [performed(1)])
        raise KeyError("conflict")


async def test_nothing_is_stored_when_the_caller_fails(store: Store) -> None:
    """All or nothing, and the ids are free again."""
    tenant_id = await tenant(store)
    with pytest.raises(KeyError):
        await insert_and_raise(store, tenant_id)
    assert await all_stored(store, tenant_id) == ()
    assert (await add(store, tenant_id, [performed(1, reps=9)])).new == {UUID(int=1)}


async def test_set_without_id_is_a_mistake_of_ours(store: Store) -> None:
    """Ids are given before storing."""
    tenant_id = await tenant(store)
    with pytest.raises(ValueError, match="set_id"):
        await add(store, tenant_id, [performed(1, set_id=None)])


async def test_nothing_to_store_is_no_statement(store: Store) -> None:
    """An empty batch asks nothing of the database."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        with counting(w) as asked:
            done = await insert_sets(w, tenant_id, LIFTER, [])
    assert told(done) == (set(), set(), ())
    assert asked.statements == 0


async def test_ids_belong_to_the_lifter(store: Store) -> None:
    """Another lifter, or another tenant's lifter of that name, may use the same set id."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    await add(store, one, [performed(1)])
    assert (await add(store, one, [performed(1, reps=9)], "lifter-8")).conflicting == ()
    assert (await add(store, other, [performed(1, reps=10)])).conflicting == ()
    found = [
        await stored(store, *place) for place in ((one, 1, LIFTER), (one, 1, "lifter-8"), (other, 1, LIFTER))
    ]
    assert [each.reps for each in found if each] == [8, 9, 10]
    assert await stored(store, other, 1, "lifter-8") is None


async def test_replaced_set_holds_the_new_content_only(store: Store) -> None:
    """Every member, also what is left out now; other sets and other lifters stay."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(1, **EVERYTHING), performed(2)])
    await add(store, tenant_id, [performed(1)], "lifter-8")
    corrected = performed(1, at="2026-11-01T07:00:00-03:00", exercise="leg_press", reps=3)
    async with tenant_writing(store, tenant_id) as w:
        assert await replace_set(w, tenant_id, LIFTER, corrected)
        assert not await replace_set(w, tenant_id, LIFTER, performed(9))
    assert await all_stored(store, tenant_id) == (performed(2), corrected)
    assert await all_stored(store, tenant_id, "lifter-8") == (performed(1),)


async def test_deleted_set_is_gone_and_its_id_free(store: Store) -> None:
    """Once; other sets and other lifters stay."""
    tenant_id = await tenant(store)
    await add(store, tenant_id, [performed(1), performed(2)])
    await add(store, tenant_id, [performed(1)], "lifter-8")
    async with tenant_writing(store, tenant_id) as w:
        assert await delete_set(w, tenant_id, LIFTER, UUID(int=1))
        assert not await delete_set(w, tenant_id, LIFTER, UUID(int=1))
    assert await all_stored(store, tenant_id) == (performed(2),)
    assert await all_stored(store, tenant_id, "lifter-8") == (performed(1),)
    assert (await add(store, tenant_id, [performed(1, reps=12)])).new == {UUID(int=1)}


async def test_batch_costs_one_statement_and_one_more_when_sets_are_known(store: Store) -> None:
    """For one set as for 200; the second brings only the known ones."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        for sets, statements, rows in (
            ([performed(1)], 1, 1),
            ([performed(number) for number in range(1, 201)], 2, 200),
            ([performed(number) for number in range(201, 401)], 1, 200),
        ):
            with counting(w) as asked:
                await insert_sets(w, tenant_id, LIFTER, sets)
            assert (asked.statements, asked.rows) == (statements, rows)
