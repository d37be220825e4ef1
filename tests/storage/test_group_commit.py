"""Writers who share a commit: fewer commits, the same promises. Whatever fails harms nobody else.

What may be expected of savepoints, of COMMIT and of ON CONFLICT ROLLBACK: SQLite's documentation, `lang_savepoint`,
`lang_transaction` and `lang_conflict`.
"""

import asyncio
import sqlite3
from itertools import count
from unittest.mock import patch

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from service.errors import StorageUnavailable
from service.storage import group_commit
from service.storage.engine import Store, close_store, open_store, writing
from service.storage.idempotency import Begun, Replay, begin, finish
from tests.storage.history import tenant
from tests.storage.interleaving import CancelledAt
from tests.storage.writers_in_line import (
    NOW,
    ROWS_EACH,
    add,
    counting_commits,
    failing_commits,
    in_one_line,
    rows_of,
    stored,
    write,
)


@pytest.mark.parametrize(("most", "commits"), [(100, 1), (4, 3), (1, 10)], ids=str)
async def test_who_waited_together_commits_together(sqlite_store: Store, most: int, commits: int) -> None:
    """Ten writers, so many to a commit; one more writes alone and commits alone."""
    with patch.object(group_commit, "MOST_TURNS", most), counting_commits(sqlite_store) as counted:
        ends = await in_one_line(sqlite_store, *(add(sqlite_store, f"t{n}") for n in range(9)))
    assert ends == [None] * 10
    assert len(counted) == commits + 1


async def test_a_group_ends_when_its_time_is_up(sqlite_store: Store) -> None:
    """Without any time each writer has a commit of its own, however many wait."""
    with patch.object(group_commit, "LONGEST_SECONDS", 0.0), counting_commits(sqlite_store) as counted:
        await in_one_line(sqlite_store, *(add(sqlite_store, f"t{n}") for n in range(5)))
    assert len(counted) == 7


async def test_nobody_returns_before_the_commit_and_nobody_else_sees_more(
    sqlite_store: Store, sqlite_url: str
) -> None:
    """At its return each writer's rows are there for other connections; at the last one's turn none were yet."""
    seen: dict[str, list[str]] = {}

    async def told(name: str) -> None:
        async with writing(sqlite_store) as w:
            for place in range(ROWS_EACH):
                await write(w, name, place)
            seen[f"{name} writes"] = stored(sqlite_url)
        seen[f"{name} returns"] = stored(sqlite_url)

    await in_one_line(sqlite_store, told("a"), told("b"))
    assert seen["a writes"] == seen["b writes"] == []
    assert set(rows_of("head", "a", "b")) <= set(seen["a returns"])
    assert set(rows_of("head", "a", "b")) <= set(seen["b returns"])


async def test_turns_come_in_the_order_of_the_line(sqlite_store: Store) -> None:
    """Also across commits, and past one who gave up waiting."""
    order: list[int] = []

    async def enter(number: int) -> None:
        async with writing(sqlite_store) as w:
            order.append(number)
            await write(w, str(number), 0)

    with patch.object(group_commit, "MOST_TURNS", 3):
        await in_one_line(sqlite_store, *(CancelledAt(enter(n), step=1 if n == 4 else 0) for n in range(9)))
    assert order == [0, 1, 2, 3, 5, 6, 7, 8]


async def test_a_failure_undoes_its_own_turn_only(sqlite_store: Store, sqlite_url: str) -> None:
    """First, amid the others, or last; each is told its own error, and one commit serves the rest."""
    with counting_commits(sqlite_store) as counted:
        ends = await in_one_line(
            sqlite_store,
            add(sqlite_store, "a", fails=True),
            add(sqlite_store, "b"),
            add(sqlite_store, "c", fails=True),
        )
    assert [type(end) for end in ends] == [type(None), KeyError, type(None), KeyError]
    assert stored(sqlite_url) == rows_of("head", "b", "after")
    assert len(counted) == 2


async def test_a_commit_that_fails_is_told_to_all_and_stores_nothing(
    sqlite_store: Store, sqlite_url: str
) -> None:
    """Also to one whose own failure may have come of what was not stored then; the next writer finds all in order."""
    with failing_commits(1):
        ends = await in_one_line(sqlite_store, add(sqlite_store, "a"), add(sqlite_store, "b", fails=True))
    assert [type(end) for end in ends] == [StorageUnavailable] * 3
    assert stored(sqlite_url) == rows_of("after")


async def test_a_commit_that_fails_by_our_mistake_is_told_as_it_is_to_one_alone(
    sqlite_store: Store, sqlite_url: str
) -> None:
    """To several as an outage: it may be the mistake of one of them, and the others are to try again."""
    with failing_commits(2, sqlite3.SQLITE_ERROR):
        (alone,) = await asyncio.gather(add(sqlite_store, "alone"), return_exceptions=True)
        together = await in_one_line(sqlite_store, add(sqlite_store, "a"))
    assert [type(end) for end in (alone, *together)] == [OperationalError] + [StorageUnavailable] * 2
    assert stored(sqlite_url) == rows_of("after")


@pytest.mark.parametrize("kept", [False, True], ids=["raised", "kept to itself"])
async def test_a_failure_that_ends_the_whole_transaction_is_told_to_all(
    sqlite_store: Store, sqlite_url: str, *, kept: bool
) -> None:
    """SQLite may roll everything back over one statement; then nobody is told that something was stored."""

    async def end() -> None:
        async with writing(sqlite_store) as w:
            try:
                await w.execute(
                    text("INSERT OR ROLLBACK INTO tenants SELECT * FROM tenants WHERE name = 'head/0'")
                )
            except Exception:
                if not kept:
                    raise

    ends = await in_one_line(sqlite_store, add(sqlite_store, "a"), end(), add(sqlite_store, "b"))
    assert [type(end) for end in ends[:3]] == [StorageUnavailable] * 3
    assert ends[3] is None
    assert stored(sqlite_url) == rows_of("after", "b")


async def test_who_waits_too_long_is_told_and_the_others_go_on(sqlite_url: str) -> None:
    """The one in front keeps its turn, and the one behind gets one later."""
    opened = open_store(sqlite_url, patience_seconds=0.05)
    try:
        async with writing(opened) as w:
            await write(w, "slow", 0)
            with pytest.raises(StorageUnavailable, match="busy"):
                await add(opened, "late")
        await add(opened, "next")
    finally:
        await close_store(opened)
    assert stored(sqlite_url) == ["next/0", "next/1", "slow/0"]


async def test_one_request_sent_many_times_is_done_once(sqlite_store: Store, sqlite_url: str) -> None:
    """Side by side under one Idempotency-Key, also after a commit that failed for all of them."""
    tenant_id = await tenant(sqlite_store)
    done = count()

    async def request() -> str:
        async with writing(sqlite_store) as w:
            match await begin(w, tenant_id, "k", digest=b"d", lifter_id="lifter-7", now=NOW):
                case Begun():
                    name = f"done-{next(done)}"
                    await write(w, name, 0)
                    await finish(w, tenant_id, "k", status=201, body=name.encode())
                    return name
                case Replay(_, body):
                    return body.decode()
                case other:
                    raise AssertionError(other)

    with failing_commits(1):
        ends = await in_one_line(sqlite_store, *(request() for _ in range(5)))
    assert [type(end) for end in ends] == [StorageUnavailable] * 6
    assert await asyncio.gather(*(request() for _ in range(5))) == ["done-1"] * 5
    assert [name for name in stored(sqlite_url) if name.startswith("done")] == ["done-1/0"]
