"""Opening the database, and its two kinds of transaction: `reading` and `writing`.

    async with writing(store) as w:
        new_key = await create_key(w, tenant="gym-chain", scopes=["prescribe"], now=now)

Leaving the block commits; an exception rolls back, and so does cancelling, until the commit has begun: then it is
brought to its end, so that whoever is told of the outcome is told the truth. An outage raises StorageUnavailable.
"""

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from sqlalchemy import CursorResult, Executable
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, AsyncTransaction

from service.storage.cancelling import to_the_end, uncut
from service.storage.database_url import parse_database_url
from service.storage.failures import translated
from service.storage.group_commit import GroupCommit
from service.storage.postgresql import postgresql_engine
from service.storage.sqlite import InlineReader, sqlite_engine

Parameters = Mapping[str, Any] | Sequence[Mapping[str, Any]] | None

_SQLITE_READERS = 4


@dataclass(frozen=True, slots=True)
class Store:
    """An open database: where readers and where writers take their connections from.

    On SQLite one connection more for `recall`, and the line in which writers stand.
    """

    kind: Literal["sqlite", "postgresql"]
    readers: AsyncEngine
    writers: AsyncEngine
    inline: InlineReader | None = None
    line: GroupCommit | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """A transaction that sees one moment of the database and cannot change it.

    `sites` are those it is bound to (`tenancy`), None when to none.
    """

    connection: AsyncConnection
    sites: frozenset[str] | None = None

    async def execute(self, statement: Executable, parameters: Parameters = None) -> CursorResult[Any]:
        """The whole result of one query, already fetched. Raises StorageUnavailable."""
        with translated():
            return await self.connection.execute(statement, parameters)


@dataclass(frozen=True, slots=True)
class Writing:
    """A transaction that may change the database. On SQLite there is never more than one at a time (`group_commit`).

    `sites` are those it is bound to (`tenancy`), None when to none.
    """

    connection: AsyncConnection
    sites: frozenset[str] | None = None

    async def execute(self, statement: Executable, parameters: Parameters = None) -> CursorResult[Any]:
        """The whole result of one statement, already fetched. Raises StorageUnavailable."""
        run = self.connection.execute(statement, parameters)
        with translated():
            if self.connection.dialect.name == "sqlite":
                # Cut short, SQLAlchemy would drop the connection, and with it what others wrote in the transaction.
                return await uncut(run)
            return await run


def open_store(url: str, *, patience_seconds: float = 5.0) -> Store:
    """The database behind `url` (see `parse_database_url`). Connects at the first use, not before.

    `patience_seconds` is how long to wait for a connection, a free place in the pool, or a lock before
    StorageUnavailable is raised. Raises SettingsInvalid for a URL that cannot be used.
    """
    parsed = parse_database_url(url)
    if parsed.get_backend_name() == "sqlite":
        # One writer per process: tasks queue here in order instead of racing for the lock of the file.
        writers = sqlite_engine(parsed, patience_seconds=patience_seconds, write=True, connections=1)
        return Store(
            kind="sqlite",
            readers=sqlite_engine(
                parsed, patience_seconds=patience_seconds, write=False, connections=_SQLITE_READERS
            ),
            writers=writers,
            inline=InlineReader(parsed.database or ""),
            line=GroupCommit(writers, patience_seconds),
        )
    writers = postgresql_engine(parsed, patience_seconds=patience_seconds)
    readers = writers.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
    return Store(kind="postgresql", readers=readers, writers=writers)


class PoolUse(NamedTuple):
    """Connections of one pool: open and in use, open and idle, most there may be."""

    used: int
    idle: int
    most: int


def pool_use(store: Store) -> dict[str, PoolUse]:
    """How many connections this process has, by pool: on PostgreSQL readers and writers share one."""
    pools: dict[str, Any] = {"readers": store.readers.pool, "writers": store.writers.pool}
    if store.kind == "postgresql":
        pools = {"all": store.writers.pool}
    return {name: PoolUse(pool.checkedout(), pool.checkedin(), pool.size()) for name, pool in pools.items()}


async def close_store(store: Store) -> None:
    """Closes every connection that is not in use."""
    await store.readers.dispose()
    await store.writers.dispose()
    if store.inline is not None:
        store.inline.close()


@asynccontextmanager
async def reading(store: Store) -> AsyncIterator[Reading]:
    """A `Reading` that ends with the block. Raises StorageUnavailable."""
    async with _transaction(store.readers) as connection:
        yield Reading(connection)


@asynccontextmanager
async def writing(store: Store) -> AsyncIterator[Writing]:
    """A `Writing`: committed when the block ends, rolled back on an exception. Raises StorageUnavailable."""
    turn = _transaction(store.writers) if store.line is None else store.line.turn()
    async with turn as connection:
        yield Writing(connection)


@asynccontextmanager
async def _transaction(engine: AsyncEngine) -> AsyncIterator[AsyncConnection]:
    async with AsyncExitStack() as stack:
        with translated():
            connection = await stack.enter_async_context(engine.connect())
            transaction = await connection.begin()
        yield connection
        with translated():
            await to_the_end(_commit(transaction, stack.pop_all()))
        # Closing the connection, on the way out of an exception, rolls back what was not committed.


async def _commit(transaction: AsyncTransaction, opened: AsyncExitStack) -> None:
    async with opened:
        await transaction.commit()
