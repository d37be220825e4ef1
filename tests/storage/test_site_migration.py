"""Sites of the release that only stored them: taken over, and enforced from now on."""

import asyncio
from typing import Any

from alembic import command
from sqlalchemy import Table, func, insert, select

from service.storage.engine import reading, writing
from service.storage.identifiers import new_id
from service.storage.key_token import draw_token, token_hash
from service.storage.keys import Principal, find_principal
from service.storage.lifters import find_lifter
from service.storage.migrate import alembic_config, migrate
from service.storage.schema import api_keys, lifters, tenants
from service.storage.sites import list_sites
from service.storage.tenancy import reading_within, tenant_reading
from tests.storage.history import LIFTER, NOW, another

BEFORE = "2026_11_25c"
TENANT_ID = new_id(NOW)
# What was allowed then and is not any more: it goes on working.
OLD_NAME = "Süd 2"


async def add(url: str, table: Table, **values: Any) -> None:
    """Stores a row as the release before did."""
    async with another(url) as store, writing(store) as w:
        if store.kind == "postgresql":
            await w.execute(select(func.set_config("app.tenant_id", str(TENANT_ID), True)))
        await w.execute(insert(table).inline().values(created_at=NOW, **values))


async def add_key(url: str, site: str | None) -> str:
    """The token of a key as the release before stored it."""
    key_id, token = draw_token()
    row = {"tenant_id": TENANT_ID, "id": key_id, "secret_hash": token_hash(token), "scopes": "history:read"}
    await add(url, api_keys, **row, site=site)
    return token


async def principal(url: str, token: str) -> Principal:
    """Whose the key is now."""
    async with another(url) as store, reading(store) as r:
        found = await find_principal(r, token, now=NOW)
    assert found is not None
    return found


async def sees(url: str, who: Principal) -> bool:
    """Whether the lifter is there for them."""
    async with another(url) as store, reading_within(store, who.reach) as r:
        return await find_lifter(r, TENANT_ID, LIFTER) is not None


async def names(url: str) -> list[str]:
    """Sites of the tenant."""
    async with another(url) as store, tenant_reading(store, TENANT_ID) as r:
        return [site.name for site in await list_sites(r, TENANT_ID)]


def test_keys_of_a_site_see_that_site_from_now_on(bare_database_url: str) -> None:
    """Also those that the release before makes while it still runs; keys without a site see the whole tenant."""
    url = bare_database_url
    command.upgrade(alembic_config(url), BEFORE)

    async def fill() -> list[str]:
        await add(url, tenants, id=TENANT_ID, name="gym-chain")
        row = {"tenant_id": TENANT_ID, "lifter_id": LIFTER, "cautions": "", "updated_at": NOW, "version": 1}
        await add(url, lifters, **row, site=OLD_NAME)
        return [await add_key(url, site) for site in (OLD_NAME, "north", None)]

    tokens = asyncio.run(fill())
    migrate(url)

    async def check() -> None:
        keys = [await principal(url, token) for token in [*tokens, await add_key(url, OLD_NAME)]]
        assert [key.sites for key in keys] == [{OLD_NAME}, {"north"}, None, {OLD_NAME}]
        assert [await sees(url, key) for key in keys] == [True, False, True, True]
        assert sorted(await names(url)) == sorted([OLD_NAME, "north"])

    asyncio.run(check())
