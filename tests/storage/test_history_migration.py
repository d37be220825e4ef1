"""From the release that knew keys only to the one with a history, and back: what is stored stays."""

import asyncio

import pytest
from alembic import command
from sqlalchemy import insert

from service.storage.engine import reading, writing
from service.storage.identifiers import new_id
from service.storage.key_token import draw_token, token_hash
from service.storage.keys import find_principal
from service.storage.lifters import find_lifter
from service.storage.migrate import alembic_config, migrate
from service.storage.performed_sets import find_set
from service.storage.schema import api_keys, tenants
from service.storage.tenancy import tenant_reading
from tests.storage.history import LIFTER, NOW, add, another, performed

BEFORE = "2026_11_25"


async def make_key(url: str) -> str:
    """The token of a new key, stored as the release of that schema did."""
    key_id, token = draw_token()
    tenant = {"id": new_id(NOW), "name": "gym-chain", "created_at": NOW}
    key = {"tenant_id": tenant["id"], "id": key_id, "secret_hash": token_hash(token), "created_at": NOW}
    key["scopes"] = "history:read"
    async with another(url) as store, writing(store) as w:
        await w.execute(insert(tenants).inline().values(tenant))
        await w.execute(insert(api_keys).values(key))
    return token


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
    command.upgrade(alembic_config(database_url), "2026_11_25b", sql=True)
    sql = capsys.readouterr().out
    on_postgresql = database_url.startswith("postgresql")
    assert ("PARTITION OF performed_sets" in sql) == on_postgresql
    assert sql.count("FORCE ROW LEVEL SECURITY") == (28 if on_postgresql else 0)
