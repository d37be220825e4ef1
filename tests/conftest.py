"""Databases for every test that asks: `database_url`, `bare_database_url` and `store` run on both kinds."""

from collections.abc import AsyncIterator, Iterator

import pytest

from service.storage.engine import Store, close_store, open_store
from tests.databases import KINDS, Kind, drop_kept, fresh_database, postgres_url

pytest_plugins = ["tests.ops.figures"]


def pytest_sessionfinish() -> None:
    """Nothing is left running or lying about after the tests."""
    drop_kept()


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    """The event loop of async tests: the one the service runs on."""
    return "asyncio"


@pytest.fixture(scope="session")
def postgres_server() -> str:
    """The address of a running PostgreSQL, in which other databases can be made."""
    return postgres_url()


@pytest.fixture(params=KINDS)
def database_kind(request: pytest.FixtureRequest) -> Kind:
    """Each kind of database in turn."""
    kind: Kind = request.param
    return kind


@pytest.fixture
def database_url(database_kind: Kind) -> Iterator[str]:
    """A database of its own for one test: newest schema, no rows."""
    with fresh_database(database_kind) as url:
        yield url


@pytest.fixture
def bare_database_url(database_kind: Kind) -> Iterator[str]:
    """A database of its own for one test: nothing in it."""
    with fresh_database(database_kind, migrated=False) as url:
        yield url


@pytest.fixture
async def store(database_url: str) -> AsyncIterator[Store]:
    """The opened store of `database_url`."""
    opened = open_store(database_url)
    yield opened
    await close_store(opened)
