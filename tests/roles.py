"""A PostgreSQL role that serves and owns nothing, for the life of a test."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import uuid4

from sqlalchemy import make_url

from service.storage.api_role import grant_rights
from service.storage.engine import close_store, open_store
from tests.databases import administer, fresh_database, outside_loop


@contextmanager
def new_role(*attributes: str) -> Iterator[str]:
    """The name of a role that may log in, has these attributes besides, and owns nothing; dropped at the end."""
    name = f"effort_api_{uuid4().hex}"
    administer(f"CREATE ROLE {name} LOGIN NOSUPERUSER {' '.join(attributes)}")
    try:
        yield name
    finally:
        administer(f"DROP ROLE {name}")


def grant(url: str, role: str) -> None:
    """Gives the role its rights, as `effort migrate --api-role` does."""

    async def run() -> None:
        store = open_store(url)
        try:
            await grant_rights(store, role)
        finally:
            await close_store(store)

    outside_loop(lambda: asyncio.run(run()))


@contextmanager
def two_roles() -> Iterator[tuple[str, str]]:
    """The address of a migrated database for its owner, and for a role that serves it."""
    # The role goes after the database, in which it has rights.
    with new_role() as role, fresh_database("postgresql") as url:
        grant(url, role)
        yield url, make_url(url).set(username=role).render_as_string(hide_password=False)
