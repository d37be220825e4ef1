"""The INSERT that can say what to do when the row is there already; both databases know it, each its own way."""

from sqlalchemy import Table
from sqlalchemy.dialects import postgresql, sqlite

from service.storage.engine import Writing


def insert_into(w: Writing, table: Table) -> postgresql.Insert | sqlite.Insert:
    """An INSERT into `table` with `on_conflict_do_nothing` and `on_conflict_do_update`."""
    if w.connection.dialect.name == "sqlite":
        return sqlite.insert(table)
    return postgresql.insert(table)
