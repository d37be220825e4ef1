"""SQLite made durable and fair to several processes: write-ahead log, full syncs, no deferred writers."""

import asyncio
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import aiosqlite
from sqlalchemy import URL, event
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

_RETRY_SECONDS = 0.01


def sqlite_engine(url: URL, *, patience_seconds: float, write: bool, connections: int) -> AsyncEngine:
    """An engine whose transactions start with BEGIN IMMEDIATE (`write`) or BEGIN.

    Without `write` it refuses every change. `patience_seconds` is the wait for a lock or for a free one of
    the `connections`.
    """
    engine = create_async_engine(
        url,
        pool_size=connections,
        max_overflow=0,
        pool_timeout=patience_seconds,
        hide_parameters=True,
        # sqlite3's own implicit BEGIN is deferred: two of those that want to write fail at once.
        connect_args={"isolation_level": None, "timeout": patience_seconds},
    )

    @event.listens_for(engine.sync_engine, "do_connect")
    def fail_early(_dialect: object, _record: object, arguments: list[str], _options: object) -> None:
        # aiosqlite leaves its thread behind when a file cannot be opened; here nothing is started yet.
        sqlite3.connect(arguments[0]).close()

    @event.listens_for(engine.sync_engine, "connect")
    def configure(dbapi_connection: Any, _record: object) -> None:
        async def run(connection: aiosqlite.Connection) -> None:
            await _use_write_ahead_log(connection, patience_seconds)
            await _pragma(connection, "synchronous = FULL")
            await _pragma(connection, "foreign_keys = ON")
            # What is erased is overwritten, not only unlinked.
            await _pragma(connection, "secure_delete = ON")
            await _pragma(connection, f"query_only = {'OFF' if write else 'ON'}")

        dbapi_connection.run_async(run)

    @event.listens_for(engine.sync_engine, "begin")
    def begin(connection: Any) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


class InlineReader:
    """A connection for reads by key in the event loop's own turn: 30 us each, not the millisecond of another thread.

    It never waits for a lock, and cannot write. Connects at the first use.
    """

    def __init__(self, file: str) -> None:
        self._file = file
        self._connection: sqlite3.Connection | None = None

    def fetch(self, statement: str, parameters: Sequence[Any]) -> list[tuple[Any, ...]]:
        """Every row. Raises sqlite3.Error, also where waiting for a lock would help."""
        if self._connection is None:
            self._connection = self._opened()
        return self._connection.execute(statement, parameters).fetchall()

    def close(self) -> None:
        """Let go of the file."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _opened(self) -> sqlite3.Connection:
        # Not made where it is missing: the usual way says so.
        connection = sqlite3.connect(
            f"{Path(self._file).absolute().as_uri()}?mode=rw",
            uri=True,
            isolation_level=None,
            timeout=0.0,
            check_same_thread=False,
        )
        connection.execute("PRAGMA query_only = ON")
        return connection


async def _use_write_ahead_log(connection: aiosqlite.Connection, patience_seconds: float) -> None:
    # Switching a file to the log fails at once when another process does the same: no busy timeout there.
    attempts = round(patience_seconds / _RETRY_SECONDS)
    for attempt in range(attempts + 1):
        try:
            return await _pragma(connection, "journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or attempt == attempts:
                raise
        await asyncio.sleep(_RETRY_SECONDS)
    return None


async def _pragma(connection: aiosqlite.Connection, setting: str) -> None:
    await (await connection.execute(f"PRAGMA {setting}")).close()
