"""SQLite alone, for what PostgreSQL does by itself."""

from collections.abc import AsyncIterator, Iterator
from unittest.mock import patch

import pytest

from service.storage import group_commit
from service.storage.engine import Store, close_store, open_store
from tests.databases import fresh_database


@pytest.fixture
def sqlite_url() -> Iterator[str]:
    """A migrated file."""
    with fresh_database("sqlite") as url:
        yield url


@pytest.fixture
async def sqlite_store(sqlite_url: str) -> AsyncIterator[Store]:
    """A store on it, in which no clock ends a shared commit."""
    opened = open_store(sqlite_url)
    with patch.object(group_commit, "LONGEST_SECONDS", 600.0):
        yield opened
    await close_store(opened)
