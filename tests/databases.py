"""Fresh databases for tests, of both kinds, each with the newest schema and no rows.

    with fresh_database("postgresql") as url:
        ...

PostgreSQL is the server of EFFORT_TEST_POSTGRES_URL, whose user may create databases, or else one started
here for the life of the process.
"""

import asyncio
import atexit
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from functools import cache, partial
from pathlib import Path
from typing import Literal
from uuid import uuid4

import asyncpg  # type: ignore[import-untyped]  # asyncpg ships no types
from sqlalchemy import make_url

from service.storage.migrate import migrate
from tests.postgres import running_postgres

Kind = Literal["sqlite", "postgresql"]
KINDS: tuple[Kind, ...] = ("sqlite", "postgresql")

# What is made once and used until the end of the process.
kept = ExitStack()


def drop_kept() -> None:
    """Stops the server and removes the templates that were kept for the next database."""
    kept.close()


# Where no test session ends: scripts and benchmarks.
atexit.register(drop_kept)


@cache
def postgres_url() -> str:
    """The address of a database on a running PostgreSQL, in which other databases can be made."""
    given = os.environ.get("EFFORT_TEST_POSTGRES_URL")
    return given or kept.enter_context(running_postgres()).url()


@contextmanager
def fresh_database(kind: Kind, *, migrated: bool = True) -> Iterator[str]:
    """The URL of a database nobody else uses, dropped at the end; without any table unless `migrated`."""
    make = _sqlite if kind == "sqlite" else _postgresql
    with make(migrated=migrated) as url:
        yield url


def administer(*statements: str) -> None:
    """Runs each statement, outside a transaction, in the database of `postgres_url`."""

    async def run() -> None:
        connection = await asyncpg.connect(postgres_url())
        try:
            for statement in statements:
                await connection.execute(statement)
        finally:
            await connection.close()

    outside_loop(lambda: asyncio.run(run()))


@contextmanager
def _sqlite(*, migrated: bool) -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="effort-sqlite-") as folder:
        file = Path(folder) / "effort.db"
        if migrated:
            shutil.copyfile(_sqlite_template(), file)
        yield f"sqlite:///{file}"


@cache
def _sqlite_template() -> Path:
    folder = kept.enter_context(tempfile.TemporaryDirectory(prefix="effort-sqlite-"))
    file = Path(folder) / "template.db"
    outside_loop(partial(migrate, f"sqlite:///{file}"))
    return file


@contextmanager
def _postgresql(*, migrated: bool) -> Iterator[str]:
    template = _postgresql_template() if migrated else "template1"
    with _postgresql_database(template) as url:
        yield url


@cache
def _postgresql_template() -> str:
    url = kept.enter_context(_postgresql_database("template1"))
    outside_loop(partial(migrate, url))
    return str(make_url(url).database)


@contextmanager
def _postgresql_database(template: str) -> Iterator[str]:
    name = f"effort_test_{uuid4().hex}"
    administer(f"CREATE DATABASE {name} TEMPLATE {template}")
    try:
        yield make_url(postgres_url()).set(database=name).render_as_string(hide_password=False)
    finally:
        _drop(name)


def _drop(name: str) -> None:
    """Drops a database; a worker of the server that is cleaning it up cannot be sent away, but it ends."""
    for last in (False,) * 20 + (True,):
        try:
            administer(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        except asyncpg.InsufficientPrivilegeError:
            if last:
                raise
            time.sleep(0.5)
        else:
            return


def outside_loop(work: Callable[[], object]) -> None:
    """Does work that runs an event loop of its own, also where one is running."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        work()
        return
    # A loop cannot run inside another; a thread has none yet.
    with ThreadPoolExecutor(max_workers=1) as thread:
        thread.submit(work).result()
