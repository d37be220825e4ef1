"""From the release that knew keys only to the one with a history, and back: what is stored stays."""

import asyncio

import pytest
from alembic import command

from service.storage.engine import reading, writing
from service.storage.keys import create_key, find_principal
from service.storage.lifters import find_lifter
from service.storage.migrate import alembic_config, migrate
from service.storage.performed_sets import find_set
from service.storage.tenancy import tenant_reading
from tests.storage.history import LIFTER, NOW, add, another, performed

BEFORE = "2026_11_25"


async def make_key(url: str) -> str:
    """The token of a new key."""
    async with another(url) as store, writing(store) as w:
        key = await create_key(w, tenant="gym-chain", scopes=["history:read"], now=NOW)
    return key.token


async def train(url: str, token: str) -> None:
    """Stores and finds a set of a lifter of the key's tenant."""
    async with another(url) as store:
        async with reading(store) as r:
            principal = await find_principal(r, token, now=NOW)
        assert principal is not None
        assert principal.scopes == {"history:read"}
        sent = performed(1)
        await add(store, principal.tenant_id, [sent])
        async with tenant_reading(store, principal.tenant_id) as r:
            assert await find_lifter(r, principal.tenant_id, LIFTER) is not None
            assert sent.set_id is not None
            assert await find_set(r, principal.tenant_id, LIFTER, sent.set_id) == sent


def test_keys_survive_the_way_to_the_history_and_back(bare_database_url: str) -> None:
    """A key made before the migration works after it, after the way back, and after going forth again."""
    config = alembic_config(bare_database_url)
    command.upgrade(config, BEFORE)
    token = asyncio.run(make_key(bare_database_url))
    migrate(bare_database_url)
    asyncio.run(train(bare_database_url, token))
    command.downgrade(config, BEFORE)
    migrate(bare_database_url)
    asyncio.run(train(bare_database_url, token))


def test_history_can_be_written_out_as_sql_for_postgresql(
    database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Partitions and policies stand in it; SQLite, which has neither, gets none."""
    command.upgrade(alembic_config(database_url), "head", sql=True)
    sql = capsys.readouterr().out
    on_postgresql = database_url.startswith("postgresql")
    assert ("PARTITION OF performed_sets" in sql) == on_postgresql
    assert sql.count("FORCE ROW LEVEL SECURITY") == (28 if on_postgresql else 0)
