"""Writers on SQLite who stand in one line, what they store, and disks that fail them."""

import asyncio
import sqlite3
from collections.abc import Awaitable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import count
from typing import Any
from unittest.mock import patch

import aiosqlite
from sqlalchemy import event, insert

from service.storage.engine import Store, Writing, writing
from service.storage.identifiers import new_id
from service.storage.rows import insert_rows
from service.storage.schema import tenants

NOW = datetime(2026, 12, 1, 18, 30, tzinfo=UTC)
ROWS_EACH = 2


@contextmanager
def counting_commits(store: Store) -> Iterator[list[Any]]:
    """One entry for each COMMIT of a writer."""
    commits: list[Any] = []
    tell = commits.append
    event.listen(store.writers.sync_engine, "commit", tell)
    yield commits
    event.remove(store.writers.sync_engine, "commit", tell)


def stored(url: str) -> list[str]:
    """Names of tenants that somebody else sees at this moment."""
    connection = sqlite3.connect(url.removeprefix("sqlite:///"))
    try:
        return [name for (name,) in connection.execute("SELECT name FROM tenants ORDER BY name")]
    finally:
        connection.close()


async def write(w: Writing, name: str, place: int) -> None:
    """One row, past SQLAlchemy and with it by turns: requests do both."""
    row = {"id": new_id(NOW), "name": f"{name}/{place}", "created_at": NOW}
    if place % 2:
        await insert_rows(w, tenants, [row])
    else:
        await w.execute(insert(tenants).values(row))


async def add(store: Store, name: str, *, fails: bool = False) -> None:
    """Two rows, and then KeyError if it `fails`."""
    async with writing(store) as w:
        for place in range(ROWS_EACH):
            await write(w, name, place)
        if fails:
            raise KeyError(name)


def rows_of(*names: str) -> list[str]:
    """What `add` stores."""
    return sorted(f"{name}/{place}" for name in names for place in range(ROWS_EACH))


async def in_one_line(store: Store, *works: Awaitable[Any]) -> list[BaseException | None]:
    """How each ended; they stood in line in this order, while somebody wrote "head" and then `add`ed itself."""
    lined_up = asyncio.Event()

    async def head() -> None:
        async with writing(store) as w:
            for place in range(ROWS_EACH):
                await write(w, "head", place)
            await lined_up.wait()

    # Tasks begin in this order, and the head asks the database before it looks whether the others are there.
    tasks = [asyncio.ensure_future(work) for work in (head(), *works)]
    await asyncio.sleep(0)
    lined_up.set()
    async with asyncio.timeout(30):
        ends = await asyncio.gather(*tasks, return_exceptions=True)
    assert await asyncio.gather(add(store, "after"), return_exceptions=True) == [None]
    return ends


@contextmanager
def failing_commits(times: int, code: int = sqlite3.SQLITE_IOERR) -> Iterator[None]:
    """The first so many COMMITs end in an input or output error, as a broken disk's would, or in another one."""
    real, numbers = aiosqlite.Connection.commit, count()

    async def commit(self: aiosqlite.Connection) -> None:
        if next(numbers) < times:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = code
            raise error
        await real(self)

    with patch.object(aiosqlite.Connection, "commit", commit):
        yield
