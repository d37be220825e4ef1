"""A database that makes writers wait: locked from outside, or slow to commit."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import asyncpg  # type: ignore[import-untyped]  # asyncpg ships no types
from sqlalchemy import make_url, text

from service.storage.engine import close_store, open_store, writing


@asynccontextmanager
async def locked(url: str) -> AsyncIterator[None]:
    """No lifter can be written to, and on PostgreSQL none be read, before the block ends."""
    store = open_store(url)
    try:
        async with writing(store) as w:
            if store.kind == "postgresql":
                await w.execute(text("LOCK TABLE lifters IN ACCESS EXCLUSIVE MODE"))
            yield
    finally:
        await close_store(store)


async def slow_to_commit(url: str, seconds: float) -> None:
    """From now on a transaction that stored sets on this PostgreSQL takes so long [s] to commit."""
    plain = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    connection = await asyncpg.connect(plain)
    try:
        await connection.execute(
            "CREATE FUNCTION dawdle() RETURNS trigger LANGUAGE plpgsql AS "
            f"'BEGIN PERFORM pg_sleep({seconds:f}); RETURN NULL; END';"
            "CREATE CONSTRAINT TRIGGER dawdle AFTER INSERT ON performed_sets "
            "DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION dawdle()"
        )
    finally:
        await connection.close()
