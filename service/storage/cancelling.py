"""Work on the database that cancelling must not cut in two."""

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

_Outcome = TypeVar("_Outcome")


async def to_the_end(work: Coroutine[Any, Any, _Outcome]) -> _Outcome:
    """Wait for `work` whoever cancels meanwhile: the caller goes on with its outcome."""
    task = asyncio.create_task(work)
    while not task.done():
        try:
            await asyncio.shield(task)
        except asyncio.CancelledError:
            if task.cancelled():
                raise
    return task.result()


async def uncut(work: Coroutine[Any, Any, _Outcome]) -> _Outcome:
    """Wait for `work`; whoever cancels meanwhile is heard once it is done."""
    task = asyncio.create_task(work)
    cancelled: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.wait([task])
        except asyncio.CancelledError as error:
            cancelled = error
    if cancelled is None:
        return task.result()
    if not task.cancelled():
        task.exception()  # Looked at: else the loop complains that nobody did.
    raise cancelled
