"""Requests sent twice, on both databases: done once, answered alike, told apart, and forgotten in time."""

import asyncio
from datetime import datetime, timedelta
from uuid import UUID

import pytest
from sqlalchemy import text

from service.storage.engine import Store
from service.storage.idempotency import (
    KEPT,
    Begun,
    OtherBody,
    Replay,
    Running,
    begin,
    finish,
    purge,
)
from service.storage.lifters import lock_lifter
from service.storage.performed_sets import insert_sets, page_of_sets
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.storage.history import LIFTER, NOW, another, counting, performed, tenant

KEY = "8e03978e-40d5-43dd-bc93-6894a57f9324"
DIGEST = bytes(range(32))
ANSWER = Replay(201, b'{"set_ids": []}')

Outcome = Begun | Replay | Running | OtherBody


async def ask(
    store: Store,
    tenant_id: UUID,
    key: str = KEY,
    *,
    digest: bytes = DIGEST,
    now: datetime = NOW,
    answer: Replay | None = ANSWER,
) -> Outcome:
    """A whole request: begun, and finished with `answer` if that was needed and unless it is None."""
    async with tenant_writing(store, tenant_id) as w:
        outcome = await begin(w, tenant_id, key, digest=digest, lifter_id=LIFTER, now=now)
        if outcome == Begun() and answer is not None:
            await finish(w, tenant_id, key, status=answer.status, body=answer.body)
        return outcome


async def test_repeated_request_gets_the_first_answer(store: Store) -> None:
    """Status and body to the byte, as often as it comes."""
    tenant_id = await tenant(store)
    answer = Replay(200, b"\x00\xff" * 50_000)
    assert await ask(store, tenant_id, answer=answer) == Begun()
    assert await ask(store, tenant_id) == answer
    assert await ask(store, tenant_id, now=NOW + KEPT) == answer


async def test_a_replay_writes_to_the_log_too(store: Store) -> None:
    """So that its commit waits for a synchronous standby as the first one did (PostgreSQL)."""
    tenant_id = await tenant(store)
    await ask(store, tenant_id)
    async with tenant_writing(store, tenant_id) as w:
        assert await begin(w, tenant_id, KEY, digest=DIGEST, lifter_id=LIFTER, now=NOW) == ANSWER
        if store.kind == "postgresql":
            writes = await w.execute(text("SELECT pg_current_xact_id_if_assigned() IS NOT NULL"))
            assert writes.scalar_one()


async def test_key_of_another_request_is_told(store: Store) -> None:
    """The first answer stays."""
    tenant_id = await tenant(store)
    await ask(store, tenant_id)
    assert await ask(store, tenant_id, digest=b"other") == OtherBody()
    assert await ask(store, tenant_id) == ANSWER


async def test_keys_belong_to_the_tenant(store: Store) -> None:
    """Another tenant's equal key, and the tenant's other keys, are other requests."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    assert await ask(store, one) == Begun()
    theirs = Replay(200, b"of another tenant")
    assert await ask(store, other, digest=b"other", answer=theirs) == Begun()
    assert await ask(store, one, KEY.upper()) == Begun()
    assert await ask(store, one) == ANSWER
    assert await ask(store, other, digest=b"other") == theirs


async def test_failed_request_leaves_its_key_free(store: Store) -> None:
    """What was rolled back never began, also for another body."""
    tenant_id = await tenant(store)

    async def fail() -> None:
        async with tenant_writing(store, tenant_id) as w:
            await begin(w, tenant_id, KEY, digest=DIGEST, lifter_id=LIFTER, now=NOW)
            raise KeyError("conflict")

    with pytest.raises(KeyError):
        await fail()
    assert await ask(store, tenant_id, digest=b"other") == Begun()


async def test_request_without_an_answer_is_running_until_it_is_given_up(store: Store) -> None:
    """Minutes later, when no transaction can still be open, its key is taken over by the same request."""
    tenant_id, other = await tenant(store), await tenant(store, "another-gym")
    await ask(store, other, digest=b"of another tenant")
    assert await ask(store, tenant_id, answer=None) == Begun()
    assert await ask(store, tenant_id, now=NOW + timedelta(minutes=1)) == Running()
    assert await ask(store, tenant_id, digest=b"other", now=NOW + timedelta(hours=1)) == OtherBody()
    assert await ask(store, tenant_id, now=NOW + timedelta(hours=1)) == Begun()
    assert await ask(store, tenant_id, now=NOW + timedelta(hours=1)) == ANSWER
    assert await ask(store, other, digest=b"of another tenant") == ANSWER


async def test_second_of_two_at_once_does_not_do_the_work(store: Store, database_url: str) -> None:
    """While the first is under way it is told so at once (PostgreSQL) or waits (SQLite); then it gets the answer."""
    tenant_id = await tenant(store)
    async with another(database_url) as other:
        async with tenant_writing(store, tenant_id) as w:
            assert await begin(w, tenant_id, KEY, digest=DIGEST, lifter_id=LIFTER, now=NOW) == Begun()
            second = asyncio.create_task(ask(other, tenant_id))
            if store.kind == "postgresql":
                assert await second == Running()
            await finish(w, tenant_id, KEY, status=ANSWER.status, body=ANSWER.body)
        assert await second == (Running() if store.kind == "postgresql" else ANSWER)
        assert await ask(other, tenant_id) == ANSWER


async def test_of_many_at_once_one_stores_its_sets(store: Store, database_url: str) -> None:
    """Sixteen requests with one key from two stores: one does the work, and the sets are there once."""
    tenant_id = await tenant(store)
    async with another(database_url) as other:

        async def request(through: Store, number: int) -> Outcome:
            async with tenant_writing(through, tenant_id) as w:
                outcome = await begin(w, tenant_id, KEY, digest=DIGEST, lifter_id=LIFTER, now=NOW)
                if outcome == Begun():
                    await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW)
                    await insert_sets(w, tenant_id, LIFTER, [performed(number)])
                    await finish(w, tenant_id, KEY, status=ANSWER.status, body=ANSWER.body)
                return outcome

        outcomes = await asyncio.gather(
            *(request(through, number) for number, through in enumerate((store, other) * 8))
        )
    assert outcomes.count(Begun()) == 1
    assert all(outcome in (Begun(), Running(), ANSWER) for outcome in outcomes)
    async with tenant_reading(store, tenant_id) as r:
        assert len((await page_of_sets(r, tenant_id, LIFTER, limit=99)).sets) == 1


async def test_old_answers_are_purged_oldest_first_and_no_others(store: Store) -> None:
    """In bounded bites, of one tenant, never before 24 hours are over."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    for hours in range(4):
        await ask(store, one, f"{hours}", now=NOW + timedelta(hours=hours))
    await ask(store, other, "0")
    now = NOW + KEPT + timedelta(hours=3)
    purged = []
    for _ in range(3):
        async with tenant_writing(store, one) as w:
            purged.append(await purge(w, one, now=now, at_most=2))
    assert purged == [2, 1, 0]
    assert [await ask(store, one, f"{hours}", now=now) for hours in (0, 2)] == [Begun(), Begun()]
    assert await ask(store, one, "3", now=now) == ANSWER
    assert await ask(store, other, "0", now=now) == ANSWER


async def test_two_who_purge_at_once_do_not_wait_for_each_other(store: Store, database_url: str) -> None:
    """Each answer is deleted by one of them."""
    tenant_id = await tenant(store)
    for number in range(6):
        await ask(store, tenant_id, f"{number}")
    async with another(database_url) as other:

        async def purge_some(through: Store) -> int:
            async with tenant_writing(through, tenant_id) as w:
                return await purge(w, tenant_id, now=NOW + 2 * KEPT, at_most=3)

        async with tenant_writing(store, tenant_id) as w:
            first = await purge(w, tenant_id, now=NOW + 2 * KEPT, at_most=3)
            second = asyncio.create_task(purge_some(other))
            if store.kind == "postgresql":
                assert await second == 3
        assert first + await second == 6


async def test_a_key_costs_a_few_statements(store: Store) -> None:
    """Whatever the outcome."""
    tenant_id = await tenant(store)
    async with tenant_writing(store, tenant_id) as w:
        with counting(w) as beginning:
            await begin(w, tenant_id, KEY, digest=DIGEST, lifter_id=LIFTER, now=NOW)
        with counting(w) as finishing:
            await finish(w, tenant_id, KEY, status=201, body=b"")
        with counting(w) as replaying:
            await begin(w, tenant_id, KEY, digest=DIGEST, lifter_id=LIFTER, now=NOW)
    lock = 1 if store.kind == "postgresql" else 0
    assert [c.statements for c in (beginning, finishing, replaying)] == [2 + lock, 1, 1 + lock]
