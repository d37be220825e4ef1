"""How Alembic reaches the database: the service's own engine, one transaction, one migrator at a time.

The URL comes from `service.storage.migrate`, or from EFFORT_DATABASE_URL when `alembic` itself is called.
"""

import asyncio
import os
import re
from datetime import UTC, datetime
from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from alembic.operations import MigrationScript
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, event, text

from service.errors import SettingsInvalid
from service.storage.database_url import parse_database_url
from service.storage.engine import close_store, open_store
from service.storage.schema import UtcDateTime, metadata

# Any number will do, as long as nobody else in this database takes advisory locks on it.
_ADVISORY_LOCK = 7_035_771_482
_TURN_SECONDS = 60.0


def _url() -> str:
    url = context.config.attributes.get("url") or os.environ.get("EFFORT_DATABASE_URL")
    if not url:
        raise SettingsInvalid("EFFORT_DATABASE_URL: set it to the database to migrate")
    return str(url)


def _render_item(kind: str, item: Any, _context: AutogenContext) -> str | Literal[False]:
    # A migration must not change when the model's types do, so it names SQLAlchemy's own type.
    return "sa.DateTime(timezone=True)" if kind == "type" and isinstance(item, UtcDateTime) else False


def _include_name(name: str | None, kind: str, _parents: Any) -> bool:
    # Hash partitions come with their table; the tables in code know only the whole.
    return kind != "table" or re.fullmatch(r".+_p[0-9]+", name or "") is None


def _name_by_date(_context: Any, _revision: Any, directives: list[MigrationScript]) -> None:
    known = {script.revision for script in ScriptDirectory.from_config(context.config).walk_revisions()}
    today = datetime.now(UTC).strftime("%Y_%m_%d")  # noqa: TID251 - a file named by date needs the clock
    for directive in directives:
        directive.rev_id = next(today + letter for letter in ("", *"bcdefgh") if today + letter not in known)


def _run(dialect: str, **target: Any) -> None:
    context.configure(
        target_metadata=metadata,
        render_item=_render_item,
        include_name=_include_name,
        render_as_batch=dialect == "sqlite",
        process_revision_directives=_name_by_date,
        transactional_ddl=True,
        **target,
    )
    with context.begin_transaction():
        if dialect == "postgresql":
            _take_turn()
        context.run_migrations()


def _take_turn() -> None:
    context.execute(f"SET LOCAL lock_timeout = '{_TURN_SECONDS:.0f}s'")
    context.execute(f"SET LOCAL statement_timeout = '{_TURN_SECONDS:.0f}s'")
    context.execute(f"SELECT pg_advisory_xact_lock({_ADVISORY_LOCK})")
    # Requests queue behind a migration that waits for a table lock: better give up than stop the service.
    context.execute("SET LOCAL lock_timeout = '5s'")


def _migrate(connection: Connection) -> None:
    _run(connection.dialect.name, connection=connection)
    if connection.dialect.name == "sqlite":
        broken = connection.execute(text("PRAGMA foreign_key_check")).all()
        if broken:
            raise RuntimeError(f"the migration broke references of {sorted({row[0] for row in broken})}")


def _foreign_keys_off(dbapi_connection: Any, _record: object) -> None:
    # SQLite changes a table by copying and dropping it, and the drop would cascade. Checked afterwards.
    cursor = dbapi_connection.cursor()
    cursor.execute("PRAGMA foreign_keys = OFF")
    cursor.close()


async def _online() -> None:
    store = open_store(_url(), patience_seconds=_TURN_SECONDS)
    if store.kind == "sqlite":
        event.listen(store.writers.sync_engine, "connect", _foreign_keys_off)
    try:
        async with store.writers.begin() as connection:
            await connection.run_sync(_migrate)
    finally:
        await close_store(store)


if context.is_offline_mode():
    offline_url = parse_database_url(_url())
    _run(offline_url.get_backend_name(), url=offline_url, literal_binds=True)
else:
    asyncio.run(_online())
