"""Which revision the schema is at, which one this release needs, and bringing it there.

Alembic is imported only inside the functions that migrate: the serving process never loads it.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, column, inspect, select, table

from service.errors import NotMigrated, StorageUnavailable
from service.storage.database_url import parse_database_url
from service.storage.engine import Reading, Store, reading
from service.storage.failures import translated

if TYPE_CHECKING:
    from alembic.config import Config

# Revisions are named by date and sort as text, so an older release knows a newer schema when it sees one.
HEAD_REVISION = "2026_11_25d"

_version = table("alembic_version", column("version_num"))


def migrate(url: str) -> str:
    """Brings the database at `url` to the newest schema and returns its revision.

    Safe to start in several processes at once: they take turns. Runs its own event loop, so call it from a
    thread where one is running. Needs the owner of the database, no superuser. Raises SettingsInvalid for
    the URL, StorageUnavailable when the database is away, locked, or newer than this release.
    """
    from alembic import command  # noqa: PLC0415 - see the module's docstring
    from alembic.script.revision import ResolutionError  # noqa: PLC0415 - see the module's docstring
    from alembic.util import CommandError  # noqa: PLC0415 - see the module's docstring

    config = alembic_config(url)
    try:
        with translated():
            command.upgrade(config, "head")
    except CommandError as error:
        if not isinstance(error.__cause__, ResolutionError):
            raise
        raise StorageUnavailable(
            "the database is at a revision this release does not know: migrate it with the newer release"
        ) from error
    return HEAD_REVISION


def alembic_config(url: str) -> "Config":
    """What Alembic needs to work on the database at `url`. Raises SettingsInvalid."""
    from alembic.config import Config  # noqa: PLC0415 - see the module's docstring

    parse_database_url(url)
    config = Config()
    config.set_main_option("script_location", str(_scripts()).replace("%", "%%"))
    config.attributes["url"] = url
    return config


async def schema_revision(r: Reading) -> str | None:
    """The revision the database is at; None when it was never migrated. Raises StorageUnavailable."""

    def has_version(connection: Connection) -> bool:
        return inspect(connection).has_table(_version.name)

    with translated():
        if not await r.connection.run_sync(has_version):
            return None
    revision: str | None = (await r.execute(select(_version.c.version_num))).scalar_one_or_none()
    return revision


async def check_ready(store: Store) -> None:
    """Raises StorageUnavailable unless the database answers, NotMigrated unless its schema is new enough.

    A schema newer than this release is good: migrations are written to run beside the release before them.
    """
    async with reading(store) as r:
        revision = await schema_revision(r)
    if revision is None or revision < HEAD_REVISION:
        raise NotMigrated(
            f"the database is at revision {revision}, this release needs {HEAD_REVISION}: "
            "run `effort migrate`"
        )


def _scripts() -> Path:
    service = Path(__file__).parents[1]
    inside_wheel = service / "_migrations"
    return inside_wheel if inside_wheel.is_dir() else service.parent / "migrations"
