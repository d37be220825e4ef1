"""What is asked of the drivers directly, past SQLAlchemy's events, for tests that count statements and rows."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any
from unittest.mock import patch

import aiosqlite
import asyncpg  # type: ignore[import-untyped]  # asyncpg ships no types

from service.storage.sqlite import InlineReader

Tell = Callable[[str, int], None]


@contextmanager
def telling(tell: Tell) -> Iterator[None]:
    """Within the block `tell` hears each statement and how many rows it brought."""
    with ExitStack() as stack:
        for kind, name in ((asyncpg.Connection, "fetch"), (aiosqlite.Connection, "execute_fetchall")):
            asked = _asked_later(getattr(kind, name), tell)
            stack.enter_context(patch.object(kind, name, asked))
        stack.enter_context(patch.object(InlineReader, "fetch", _asked_at_once(InlineReader.fetch, tell)))
        yield


def _asked_later(real: Callable[..., Any], tell: Tell) -> Callable[..., Any]:
    async def asked(self: Any, statement: str, *parameters: Any) -> Any:
        found = await real(self, statement, *parameters)
        tell(statement, len(found))
        return found

    return asked


def _asked_at_once(real: Callable[..., Any], tell: Tell) -> Callable[..., Any]:
    def asked(self: Any, statement: str, parameters: Any) -> Any:
        found = real(self, statement, parameters)
        tell(statement, len(found))
        return found

    return asked
