"""Reading and writing side by side, and what an outage looks like to the rest of the service."""

import asyncio
import traceback
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, insert, make_url, select, text, update
from sqlalchemy.exc import IntegrityError

from service.errors import StorageUnavailable
from service.storage.engine import Reading, Store, close_store, open_store, reading, writing
from service.storage.identifiers import new_id
from service.storage.schema import tenants
from tests.databases import fresh_database
from tests.postgres import OWNER, running_postgres, start, stop

NOW = datetime(2026, 12, 1, 18, 30, tzinfo=UTC)


@asynccontextmanager
async def opened(url: str, patience_seconds: float = 5.0) -> AsyncIterator[Store]:
    """A store that is closed again."""
    store = open_store(url, patience_seconds=patience_seconds)
    try:
        yield store
    finally:
        await close_store(store)


async def add(store: Store, name: str) -> None:
    """One more tenant, in a transaction of its own."""
    async with writing(store) as w:
        await w.execute(insert(tenants).values(id=new_id(NOW), name=name, created_at=NOW))


async def count(r: Reading) -> int:
    """Tenants this transaction sees."""
    number: int = (await r.execute(select(func.count()).select_from(tenants))).scalar_one()
    return number


async def test_exception_undoes_the_whole_block(store: Store) -> None:
    """What was written before the exception is gone, and the exception comes through unchanged."""

    async def fail_halfway() -> None:
        async with writing(store) as w:
            await w.execute(insert(tenants).values(id=new_id(NOW), name="half", created_at=NOW))
            raise KeyError("later")

    with pytest.raises(KeyError, match="later"):
        await fail_halfway()
    async with reading(store) as r:
        assert await count(r) == 0


async def test_cancelled_block_is_undone_and_locks_nothing(store: Store) -> None:
    """A caller who hangs up leaves no half-written row, and the next writer does not wait for it."""
    wrote = asyncio.Event()

    async def hang() -> None:
        async with writing(store) as w:
            await w.execute(insert(tenants).values(id=new_id(NOW), name="hangs", created_at=NOW))
            wrote.set()
            await asyncio.Event().wait()

    task = asyncio.create_task(hang())
    await wrote.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await add(store, "hangs")
    async with reading(store) as r:
        assert await count(r) == 1


async def test_reader_sees_one_moment_and_does_not_block_the_writer(store: Store) -> None:
    """A write commits while a reader is open; that reader goes on seeing what it saw first."""
    await add(store, "before")
    async with reading(store) as r:
        assert await count(r) == 1
        await add(store, "meanwhile")
        assert await count(r) == 1
    async with reading(store) as r:
        assert await count(r) == 2


async def test_reading_transaction_cannot_write(store: Store) -> None:
    """The database itself refuses, whatever the statement."""
    with pytest.raises(StorageUnavailable, match="takes no writes"):
        async with reading(store) as r:
            await r.execute(insert(tenants).values(id=new_id(NOW), name="sly", created_at=NOW))
    await add(store, "honest")


async def test_many_writers_take_turns(store: Store) -> None:
    """Forty tasks write through ten places or one, and none is turned away."""
    await asyncio.gather(*(add(store, f"tenant-{number}") for number in range(40)))
    async with reading(store) as r:
        assert await count(r) == 40


async def test_mistakes_of_ours_are_not_called_an_outage(store: Store) -> None:
    """A doubled name or wrong SQL is raised as what it is."""
    await add(store, "one")
    with pytest.raises(IntegrityError):
        await add(store, "one")
    async with reading(store) as r:
        with pytest.raises(Exception, match="syntax"):
            await r.execute(text("SELEKT 1"))


async def test_writer_who_waits_too_long_is_told_to_try_again(database_url: str) -> None:
    """The second writer of the same row gives up after its patience, and its error shows no SQL."""
    async with opened(database_url) as first, opened(database_url, patience_seconds=0.2) as second:
        await add(first, "contested")
        rename = update(tenants).values(name="renamed")
        async with writing(first) as w:
            await w.execute(rename)
            with pytest.raises(StorageUnavailable, match="busy or locked") as outage:
                async with writing(second) as w2:
                    await w2.execute(rename)
        assert_tells_nothing(outage.value)
        async with writing(second) as w2:
            await w2.execute(rename)


async def test_full_pool_is_an_outage_and_not_a_queue_without_end(database_url: str) -> None:
    """Who finds every connection taken is told to try again, and can once one is free."""
    async with opened(database_url, patience_seconds=0.2) as store:

        async def take_all() -> None:
            async with AsyncExitStack() as stack:
                while True:
                    await stack.enter_async_context(reading(store))

        with pytest.raises(StorageUnavailable, match="busy") as outage:
            await take_all()
        assert_tells_nothing(outage.value)
        async with reading(store) as r:
            assert await count(r) == 0


async def test_unmigrated_database_says_what_to_run(bare_database_url: str) -> None:
    """A missing table is no riddle."""
    async with opened(bare_database_url) as store, reading(store) as r:
        with pytest.raises(StorageUnavailable, match="run `effort migrate`") as outage:
            await count(r)
    assert_tells_nothing(outage.value)


async def add_on_a_cut_connection(store: Store, *, then: str | None) -> None:
    """Writes a row, loses the connection, and goes on to the statement `then` or to the commit."""
    async with writing(store) as w:
        await w.execute(insert(tenants).values(id=new_id(NOW), name="cut", created_at=NOW))
        pid = (await w.execute(text("SELECT pg_backend_pid()"))).scalar_one()
        async with writing(store) as other:
            await other.execute(select(func.pg_terminate_backend(pid)))
        if then is not None:
            await w.execute(text(then))


@pytest.mark.parametrize("then", ["SELECT 1", None], ids=["next statement", "commit"])
async def test_connection_lost_midway_is_an_outage_and_the_next_one_works(then: str | None) -> None:
    """The cut transaction is undone, never taken for stored, and nothing has to be restarted."""
    with fresh_database("postgresql") as url:
        async with opened(url) as store:
            with pytest.raises(StorageUnavailable) as outage:
                await add_on_a_cut_connection(store, then=then)
            assert_tells_nothing(outage.value)
            async with reading(store) as r:
                assert await count(r) == 0


async def test_store_outlives_a_restart_of_the_server() -> None:
    """While the server is down: an outage. Once it is up: the first request works, with the old store."""
    with running_postgres() as server:
        async with opened(server.url()) as store:
            async with reading(store) as r, reading(store) as r2:
                assert [(await each.execute(select(1))).scalar_one() for each in (r, r2)] == [1, 1]
            await asyncio.to_thread(stop, server)
            with pytest.raises(StorageUnavailable, match="cannot be reached") as outage:
                async with reading(store):
                    pass
            assert_tells_nothing(outage.value)
            await asyncio.to_thread(start, server)
            for _ in range(3):
                async with reading(store) as r:
                    assert (await r.execute(select(1))).scalar_one() == 1


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"port": 1}, "cannot be reached"),
        ({"database": "hunter2"}, "does not exist"),
        ({"username": "hunter2"}, "refuses this user"),
    ],
    ids=str,
)
async def test_wrong_address_is_an_outage(postgres_server: str, change: dict[str, Any], told: str) -> None:
    """Nobody there, no such database, no such user: each is told apart, none shows the address."""
    url = make_url(postgres_server).set(password="hunter2", **change)  # noqa: S106 - invented
    async with opened(url.render_as_string(hide_password=False)) as store:
        with pytest.raises(StorageUnavailable, match=told) as outage:
            async with reading(store) as r:
                await r.execute(select(1))
    assert_tells_nothing(outage.value)


async def test_file_in_a_missing_folder_is_an_outage(tmp_path: Path) -> None:
    """The text says where to look, not where the file is."""
    async with opened(f"sqlite:///{tmp_path}/hunter2/effort.db") as store:
        with pytest.raises(StorageUnavailable, match="cannot be opened") as outage:
            async with reading(store):
                pass
    assert_tells_nothing(outage.value)


async def test_file_that_is_no_database_is_an_outage(tmp_path: Path) -> None:
    """A wrong path that happens to exist is told, and left as it was."""
    file = tmp_path / "notes.txt"
    file.write_text("not a database, but long enough to be taken for one at first sight" * 100)
    before = file.read_bytes()
    async with opened(f"sqlite:///{file}") as store:
        with pytest.raises(StorageUnavailable, match="no SQLite database"):
            async with writing(store):
                pass
    assert file.read_bytes() == before


async def test_sqlite_is_set_to_survive_a_power_cut() -> None:
    """Write-ahead log, a full sync per commit, references enforced, on readers and writers alike."""
    with fresh_database("sqlite") as url:
        async with opened(url) as store:
            for transaction in (reading, writing):
                async with transaction(store) as t:
                    found = {
                        name: (await t.execute(text(f"PRAGMA {name}"))).scalar_one()
                        for name in ("journal_mode", "synchronous", "foreign_keys")
                    }
                assert found == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}


def assert_tells_nothing(error: StorageUnavailable) -> None:
    """The text holds no SQL, no table, no address, no user and no password."""
    for word in ("SELECT", "INSERT", "UPDATE", "tenants", "127.0.0.1", OWNER, "hunter2", "/tmp"):  # noqa: S108 - looked for, not used
        assert word not in str(error)
    whole = "".join(traceback.format_exception(error))
    assert "[SQL:" not in whole
