"""Rows straight to and from the driver, within a transaction of SQLAlchemy's: for what every posted set asks.

What SQLAlchemy does around a statement costs several times the statement. Pool, transactions, schema, and whatever is
not asked for all the time, stay its own. Values are stored and read as the columns say.
"""

from collections import namedtuple
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from contextlib import asynccontextmanager
from functools import lru_cache
from json import dumps
from typing import Any, Literal

from sqlalchemy import Column, Dialect, Table
from sqlalchemy.dialects.postgresql import asyncpg
from sqlalchemy.dialects.sqlite import aiosqlite

from service.storage.engine import Reading, Writing
from service.storage.failures import translated_driver

OnConflict = Literal["fail", "keep", "replace"]
Columns = tuple[Column[Any], ...]
_Process = Callable[[Any], Any] | None

# Asked how columns store values; they know no database.
_DIALECTS: dict[str, Dialect] = {
    "postgresql": asyncpg.dialect(),  # type: ignore[no-untyped-call]  # SQLAlchemy left it so
    "sqlite": aiosqlite.dialect(),
}


def stored(session: Reading | Writing, column: Column[Any], value: Any) -> Any:
    """`value` as the driver takes it for the column."""
    process = _in(column, session.connection.dialect.name)
    return value if process is None or value is None else process(value)


def one_of(session: Reading | Writing, place: int) -> str:
    """The end of a condition: is one of the texts in the `listed` parameter at `place`."""
    if session.connection.dialect.name == "sqlite":
        return f"IN (SELECT value FROM json_each(${place}))"  # noqa: S608 - a number
    return f"= ANY (${place}::text[])"


def listed(session: Reading | Writing, texts: Collection[str]) -> Any:
    """Texts as one parameter."""
    return dumps(list(texts)) if session.connection.dialect.name == "sqlite" else list(texts)


async def fetch(
    session: Reading | Writing, statement: str, parameters: Sequence[Any], columns: Columns
) -> list[Any]:
    """Rows with the names of `columns`, of a statement whose parameters are `$1`, `$2` ... Raises StorageUnavailable.

    Parameters are `stored` ones, where they are more than texts and numbers, and `listed` ones.
    """
    async with _driver(session) as driver:
        if session.connection.dialect.name == "sqlite":
            found = await driver.execute_fetchall(statement.replace("$", "?"), parameters)
        else:
            found = await driver.fetch(statement, *parameters)
    make, processes = _out(columns, session.connection.dialect.name)
    return [
        make(
            *[
                value if process is None else process(value)
                for value, process in zip(row, processes, strict=True)
            ]
        )
        for row in found
    ]


async def insert_rows(
    w: Writing,
    table: Table,
    rows: Sequence[Mapping[str, Any]],
    *,
    on_conflict: OnConflict = "fail",
    returning: Columns = (),
) -> list[Any]:
    """What `returning` says of every row that was stored. One statement for all rows. Raises StorageUnavailable.

    Every row names the same columns. What is there under the same key already makes it fail, is kept, or is replaced.
    """
    names = tuple(rows[0])
    columns = [table.c[name] for name in names]
    values = [
        [stored(w, column, row[name]) for name, column in zip(names, columns, strict=True)] for row in rows
    ]
    if w.connection.dialect.name == "sqlite":
        statement = _sqlite_insert(table, names, on_conflict, returning, len(rows))
        return await fetch(w, statement, [value for row in values for value in row], returning)
    statement = _postgresql_insert(table, names, on_conflict, returning)
    return await fetch(w, statement, list(zip(*values, strict=True)), returning)


@asynccontextmanager
async def _driver(session: Reading | Writing) -> AsyncIterator[Any]:
    driver: Any = (await session.connection.get_raw_connection()).driver_connection
    if session.connection.dialect.name == "postgresql" and not driver.is_in_transaction():
        # SQLAlchemy begins with the first statement it sees itself: `tenancy.enter`.
        raise RuntimeError("the transaction has not entered a tenant")
    try:
        with translated_driver():
            yield driver
    finally:
        if session.connection.dialect.name == "postgresql" and driver.is_closed():
            await session.connection.invalidate()


@lru_cache(maxsize=256)
def _in(column: Column[Any], dialect_name: str) -> _Process:
    dialect = _DIALECTS[dialect_name]
    return column.type.dialect_impl(dialect).bind_processor(dialect)


@lru_cache(maxsize=64)
def _out(columns: Columns, dialect_name: str) -> tuple[Callable[..., Any], tuple[_Process, ...]]:
    dialect = _DIALECTS[dialect_name]
    processes = [column.type.dialect_impl(dialect).result_processor(dialect, None) for column in columns]
    return namedtuple("Row", [column.name for column in columns]), tuple(processes)  # noqa: PYI024 - columns are told late


@lru_cache(maxsize=64)
def _postgresql_insert(
    table: Table, names: tuple[str, ...], on_conflict: OnConflict, returning: Columns
) -> str:
    # A list for each column, so that the statement, and its plan, is the same for any number of rows.
    types = [table.c[name].type.compile(_DIALECTS["postgresql"]) for name in names]
    lists = ", ".join(f"${place}::{kind}[]" for place, kind in enumerate(types, 1))
    return (
        f"{_head(table, names)} SELECT * FROM unnest({lists}) {_tail(table, names, on_conflict, returning)}"  # noqa: S608 - our own names
    )


@lru_cache(maxsize=256)
def _sqlite_insert(
    table: Table, names: tuple[str, ...], on_conflict: OnConflict, returning: Columns, rows: int
) -> str:
    each = len(names)
    places = (
        ", ".join(f"${place}" for place in range(first, first + each))
        for first in range(1, rows * each, each)
    )
    values = ", ".join(f"({row})" for row in places)
    return f"{_head(table, names)} VALUES {values} {_tail(table, names, on_conflict, returning)}"


def _head(table: Table, names: tuple[str, ...]) -> str:
    return f"INSERT INTO {table.name} ({', '.join(names)})"


def _tail(table: Table, names: tuple[str, ...], on_conflict: OnConflict, returning: Columns) -> str:
    key = [column.name for column in table.primary_key]
    replaced = ", ".join(f"{name} = excluded.{name}" for name in names if name not in key)
    actions = {
        "fail": "",
        "keep": f"ON CONFLICT ({', '.join(key)}) DO NOTHING",
        "replace": f"ON CONFLICT ({', '.join(key)}) DO UPDATE SET {replaced}",
    }
    told = f"RETURNING {', '.join(column.name for column in returning)}" if returning else ""
    return f"{actions[on_conflict]} {told}"
