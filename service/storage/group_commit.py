"""Writers of one process share commits on SQLite: whoever waited while another wrote goes on in its transaction.

SQLite has one writer at a time, and each commit waits for the disk. So writers stand in line for their turn; who ends
a turn while others wait leaves the transaction open to the next, up to a bound, and the last one's end commits for all:

    begin, A writes | savepoint, B writes | savepoint, C writes | commit: A, B and C are told

Nobody waits for company: without a line each turn is a transaction of its own, with the same statements as ever.

A turn that fails or is cancelled is rolled back to its savepoint and leaves the others' work as it is. From the end of
a turn on there is no way back: the commit is waited for, whoever cancels, so that what is told is what became of it.
Who fails of its own is told only then, too: the failure may come of what is not committed yet.

When the commit itself fails, everybody in it gets StorageUnavailable. Work that is done cannot be done again from here;
callers send it again, and an Idempotency-Key keeps them from doing it twice.
"""

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from typing import Any

from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, AsyncTransaction

from service.errors import StorageUnavailable
from service.storage.cancelling import to_the_end, uncut
from service.storage.failures import translated, translated_driver

# More gain little: by then the commit is a small part of the work. Other processes wait for the file meanwhile.
MOST_TURNS, LONGEST_SECONDS = 32, 0.05

_BUSY = "the database is busy or locked; try again shortly"
_LOST = "the write could not be committed; try again shortly"


class _Group:
    """One transaction, and the turns in it."""

    def __init__(
        self, connection: AsyncConnection, transaction: AsyncTransaction, opened: AsyncExitStack, driver: Any
    ) -> None:
        loop = asyncio.get_running_loop()
        self.connection = connection
        self.driver = driver
        self.turns = 1
        self.lost = False
        self.ended: asyncio.Future[BaseException | None] = loop.create_future()
        self.closing: asyncio.Task[None] | None = None
        self._transaction = transaction
        self._opened = opened
        self._full_at = loop.time() + LONGEST_SECONDS

    def is_full(self) -> bool:
        """No more turns, and the commit is due."""
        return self.lost or self.turns >= MOST_TURNS or asyncio.get_running_loop().time() >= self._full_at

    def is_open(self) -> bool:
        """The database still has the transaction."""
        try:
            return bool(self.driver.in_transaction)
        except ValueError:  # the connection is closed
            return False

    async def savepoint(self) -> None:
        """One turn more begins. Cancelled, it may be there nevertheless, and does no harm."""
        self.turns += 1
        with translated_driver():
            await self.driver.execute_fetchall("SAVEPOINT turn")

    async def undo(self) -> None:
        """What was written since the newest savepoint is gone."""
        try:
            await self.driver.execute_fetchall("ROLLBACK TO turn")
        except BaseException:
            # SQLite ends a whole transaction over some failures, and SQLAlchemy drops a broken connection.
            self.lost = True
            raise

    async def roll_back(self) -> None:
        """End the transaction without a trace."""
        await self._opened.aclose()

    async def commit(self) -> None:
        """End the transaction; COMMIT takes the savepoints along. Raises StorageUnavailable."""
        with translated():
            async with self._opened:
                try:
                    await self._committed()
                except BaseException:
                    # Some failures leave the transaction open. Closed with its connection, it is rolled back.
                    await self.connection.invalidate()
                    raise

    async def _committed(self) -> None:
        if self.lost:
            raise StorageUnavailable(_LOST)
        await self._transaction.commit()


class GroupCommit:
    """The line of writers of one process, and the transaction open to them. `patience_seconds` is the longest wait."""

    def __init__(self, engine: AsyncEngine, patience_seconds: float) -> None:
        self._engine = engine
        self._patience_seconds = patience_seconds
        self._line: deque[asyncio.Future[None]] = deque()
        self._taken = False
        self._group: _Group | None = None

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[AsyncConnection]:
        """A connection in a transaction, nobody else's till the block ends. Committed after it, or nothing of it is.

        Raises StorageUnavailable.
        """
        await self._stand_in_line()
        group = await self._joined()
        try:
            yield group.connection
        except Exception:
            if await to_the_end(self._undone(group)):
                await self._told(group)
            raise
        except BaseException:
            await to_the_end(self._undone(group))
            raise
        # A failure that the block kept to itself may have ended the transaction.
        group.lost = group.lost or not group.is_open()
        self._next()
        await self._told(group)

    async def _stand_in_line(self) -> None:
        if not self._taken:
            self._taken = True
            return
        place = asyncio.get_running_loop().create_future()
        self._line.append(place)
        try:
            await asyncio.wait([place], timeout=self._patience_seconds)
            if not place.done():
                raise StorageUnavailable(_BUSY)  # noqa: TRY301 - leaves the line as who is cancelled does
        except BaseException:
            if place.done():
                self._next()
            else:
                self._line.remove(place)
            raise

    async def _joined(self) -> _Group:
        try:
            if self._group is None:
                # Cut short, SQLAlchemy would drop the connection. Whole, the transaction is there for the next one.
                return await uncut(self._begin())
            await self._group.savepoint()
        except BaseException:
            self._next()
            raise
        return self._group

    async def _begin(self) -> _Group:
        async with AsyncExitStack() as stack:
            with translated():
                connection = await stack.enter_async_context(self._engine.connect())
                transaction = await connection.begin()
                driver = (await connection.get_raw_connection()).driver_connection
            self._group = _Group(connection, transaction, stack.pop_all(), driver)
            return self._group

    async def _undone(self, group: _Group) -> bool:
        """Undo a turn; True when others were in the transaction before."""
        alone = group.turns == 1
        try:
            if alone:
                self._group = None
                await group.roll_back()
            else:
                await group.undo()
        except Exception:  # noqa: BLE001, S110 - why the turn failed is told; that the others are lost they hear themselves
            pass
        finally:
            self._next()
        return not alone

    def _next(self) -> None:
        """A turn is over: the next one's, or the commit first. Whoever has the turn calls this once."""
        group = self._group
        if group is not None and (not self._line or group.is_full()):
            self._group = None
            group.closing = asyncio.create_task(self._close(group))
        elif self._line:
            self._line.popleft().set_result(None)
        else:
            self._taken = False

    async def _close(self, group: _Group) -> None:
        failure: BaseException | None = None
        try:
            await group.commit()
        except BaseException as error:  # noqa: BLE001 - whatever it was, the turns in it are told
            failure = error
        finally:
            group.ended.set_result(failure)
            self._next()

    async def _told(self, group: _Group) -> None:
        while not group.ended.done():
            try:
                await asyncio.wait([group.ended])
            except asyncio.CancelledError:
                continue
        failure = group.ended.result()
        if failure is None:
            return
        if group.turns == 1:
            raise failure
        raise StorageUnavailable(
            str(failure) if isinstance(failure, StorageUnavailable) else _LOST
        ) from failure
