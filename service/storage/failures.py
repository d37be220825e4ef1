"""Which database errors mean "away, locked, not migrated" and become StorageUnavailable.

Everything else is a mistake of ours and passes through unchanged. The texts may reach callers: they hold
no SQL, no address and no user name. The driver's own error is chained for the log.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import asyncpg  # type: ignore[import-untyped]  # asyncpg ships no types
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolExhausted

from service.errors import StorageUnavailable

_AWAY = "the database cannot be reached; try again shortly"
_BUSY = "the database is busy or locked; try again shortly"
_FULL = "the database has run out of room or connections; try again shortly"
_NOT_MIGRATED = "the database lacks a table or column this release needs: run `effort migrate`"
_REFUSED = "the database refuses this user; check EFFORT_DATABASE_URL and the user's rights"
_READ_ONLY = "the database takes no writes at present; try again shortly"
_CANNOT_OPEN = "the database file cannot be opened; check EFFORT_DATABASE_URL, its folder and its rights"
_NO_DATABASE = "the database does not exist; check EFFORT_DATABASE_URL"
_BROKEN = "the database file is damaged or no SQLite database; check EFFORT_DATABASE_URL"

# SQLSTATE, or its class (first two characters). Source: PostgreSQL manual, appendix A.
_POSTGRESQL = {
    "08": _AWAY,
    "28": _REFUSED,
    "40": _BUSY,
    "53": _FULL,
    "57": _AWAY,
    "58": _AWAY,
    "25006": _READ_ONLY,
    "3D000": _NO_DATABASE,
    "3F000": _NOT_MIGRATED,
    "42P01": _NOT_MIGRATED,
    "42703": _NOT_MIGRATED,
    "55P03": _BUSY,
    "57014": _BUSY,
}
# Primary result codes. Source: SQLite, "Result and Error Codes".
_SQLITE = {
    5: _BUSY,
    6: _BUSY,
    8: _READ_ONLY,
    10: _AWAY,
    11: _BROKEN,
    13: _FULL,
    14: _CANNOT_OPEN,
    26: _BROKEN,
}


@contextmanager
def translated() -> Iterator[None]:
    """Around a call to the database: an outage is raised as StorageUnavailable, other errors as they are."""
    try:
        yield
    except DBAPIError as error:
        message = _outage(error)
        if message is None:
            raise
        raise StorageUnavailable(message) from error.orig
    except PoolExhausted as error:
        raise StorageUnavailable(_BUSY) from error
    except OSError as error:
        raise StorageUnavailable(_AWAY) from error


@contextmanager
def translated_driver() -> Iterator[None]:
    """As `translated`, around a call to asyncpg or sqlite3 themselves."""
    try:
        yield
    except sqlite3.Error as error:
        message = _sqlite_outage(getattr(error, "sqlite_errorcode", 0), str(error))
        if message is None:
            raise
        raise StorageUnavailable(message) from error
    except asyncpg.PostgresError as error:
        message = _postgresql_outage(error.sqlstate or "", str(error))
        if message is None:
            raise
        raise StorageUnavailable(message) from error
    except asyncpg.InterfaceError as error:
        # Our own wrong use of it is told by subclasses that are ValueErrors; what is left is a closed connection.
        if isinstance(error, ValueError):
            raise
        raise StorageUnavailable(_AWAY) from error
    except OSError as error:
        raise StorageUnavailable(_AWAY) from error


def _outage(error: DBAPIError) -> str | None:
    driver_error = error.orig
    if error.connection_invalidated:
        return _AWAY
    state = getattr(driver_error, "sqlstate", None)
    if state is not None:
        return _postgresql_outage(state, str(driver_error))
    code = getattr(driver_error, "sqlite_errorcode", None)
    if code is not None:
        return _sqlite_outage(code, str(driver_error))
    return None


def _postgresql_outage(state: str, message: str) -> str | None:
    # 42501 is also what row-level security raises, and that would be a mistake of ours.
    if state == "42501":
        return _REFUSED if "permission denied" in message else None
    return _POSTGRESQL.get(state) or _POSTGRESQL.get(state[:2])


def _sqlite_outage(code: int, message: str) -> str | None:
    if message.startswith(("no such table", "no such column")):
        return _NOT_MIGRATED
    # The low byte is the primary code; the rest refines it.
    return _SQLITE.get(code & 0xFF)
