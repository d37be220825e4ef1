"""Clients of the service: every api test runs through the shortcut and without it."""

from collections.abc import AsyncIterator, Iterator

import httpx
import pytest

from tests.databases import fresh_database
from tests.redis import RedisServer, running_redis
from tests.serving import make_key, served


@pytest.fixture(params=["shortcut", "documented way"])
async def client(request: pytest.FixtureRequest) -> AsyncIterator[httpx.AsyncClient]:
    """A client with a key that may prescribe, one way and the other."""
    with fresh_database("sqlite") as url:
        key = await make_key(url, "prescribe", "history:read", "history:write", "admin")
        async with served(url, token=key.token, shortcut=request.param == "shortcut") as found:
            await found.post(
                "/v1/estimates/repetitions", json={"load_percent_1rm": 80}
            )  # the key is now remembered
            yield found


@pytest.fixture
def redis() -> Iterator[RedisServer]:
    """A Redis of its own, which a test may kill."""
    with running_redis() as server:
        yield server
