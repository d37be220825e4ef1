"""Whether this process should be sent requests: looked at no more than once a second, with connections of its own.

Its own, because a pool that is used up under load would take replica after replica out of service.
"""

import asyncio
import logging
import time
from collections.abc import Callable

from service.errors import Fault, NotMigrated, StorageUnavailable
from service.storage.engine import Store, close_store
from service.storage.migrate import check_ready

KEPT_SECONDS = 1.0
PATIENCE_SECONDS = 2.0
DRAINING = Fault("draining", "the process was told to stop and finishes what it has begun", "check")
_log = logging.getLogger("service.api")


class Readiness:
    """What stands in the way of answering, the last time somebody looked."""

    def __init__(self, store: Store, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        """Look at the database through `store`, which nothing else uses; `close` closes it."""
        self._store = store
        self._monotonic = monotonic
        self._looking: asyncio.Task[tuple[Fault, ...]] | None = None
        self._looked_at = float("-inf")
        self._found: tuple[Fault, ...] = ()
        self._told: tuple[Fault, ...] | None = None
        self.draining = False

    async def faults(self) -> tuple[Fault, ...]:
        """Return every check that fails, none when the process is ready."""
        found = await self.store_faults()
        if self.draining:
            found = (DRAINING, *found)
        if found != self._told:
            self._told = found
            if found:
                _log.warning("not ready", extra={"told": {"checks": {f.place: f.detail for f in found}}})
            else:
                _log.info("ready")
        return found

    async def store_faults(self) -> tuple[Fault, ...]:
        """Return what is wrong with the database: cannot be reached in time, or not migrated."""
        if self._monotonic() - self._looked_at < KEPT_SECONDS:
            return self._found
        # One look at a time, whoever asks; who asks does not wait for a database that never answers.
        looking = self._looking = self._looking or asyncio.create_task(self._look())
        await asyncio.wait({looking}, timeout=PATIENCE_SECONDS)
        if looking.done():
            self._found = looking.result()
            self._looking = None if self._looking is looking else self._looking
        else:
            self._found = (Fault("database", f"no answer within {PATIENCE_SECONDS:g} s", "check"),)
        self._looked_at = self._monotonic()
        return self._found

    async def _look(self) -> tuple[Fault, ...]:
        try:
            await check_ready(self._store)
        except NotMigrated as error:
            return (Fault("schema", str(error), "check"),)
        except StorageUnavailable as error:
            return (Fault("database", str(error), "check"),)
        except Exception as error:  # noqa: BLE001 - a defect, and no reason to say that all is well
            _log.error("the look at the database failed", exc_info=error)
            return (Fault("database", "the look at it failed; the log says where", "check"),)
        return ()

    async def close(self) -> None:
        """Let go of the database."""
        if self._looking is not None:
            self._looking.cancel()
            await asyncio.wait({self._looking})
        await close_store(self._store)
