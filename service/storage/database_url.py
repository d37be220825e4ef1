"""Reading `EFFORT_DATABASE_URL`. It may hold a password, so no message repeats more than its scheme."""

import re

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from service.errors import SettingsInvalid

_DRIVERS = {
    "sqlite": "sqlite+aiosqlite",
    "sqlite+aiosqlite": "sqlite+aiosqlite",
    "postgres": "postgresql+asyncpg",
    "postgresql": "postgresql+asyncpg",
    "postgresql+asyncpg": "postgresql+asyncpg",
}
_POSTGRES_OPTIONS = ("host", "port", "ssl", "sslmode", "target_session_attrs")
_CLOSED = {
    "ssl": ("disable", "allow", "prefer", "require", "verify-ca", "verify-full"),
    "target_session_attrs": ("any", "primary", "standby", "read-write", "read-only", "prefer-standby"),
}
_HIGHEST_PORT = 65_535
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://")


def parse_database_url(url: str) -> URL:
    """The URL with the driver this service uses: aiosqlite or asyncpg.

    Takes `sqlite:///file`, `postgresql://user@host/db`, `postgres://...` and the forms that name these
    drivers. `sslmode` becomes the driver's `ssl`. Raises SettingsInvalid, without the password, for
    anything else.
    """
    scheme = _SCHEME.match(url)
    if scheme is None:
        raise _refused("it has no scheme")
    if scheme[1] not in _DRIVERS:
        raise _refused(f"{scheme[1]!r} is no database this service knows")
    try:
        parsed = make_url(url).set(drivername=_DRIVERS[scheme[1]])
    except (ArgumentError, ValueError):
        raise _refused("it cannot be read; is the port a number?") from None
    return _sqlite(parsed) if scheme[1].startswith("sqlite") else _postgresql(parsed)


def _sqlite(url: URL) -> URL:
    if url.host or url.username or not url.database:
        raise _refused("a SQLite file is written with three slashes (four when the path is absolute)")
    if ":memory:" in url.database:
        raise _refused("a database in memory cannot be shared by several connections; name a file")
    if url.query or "\0" in url.database:
        raise _refused("a SQLite file takes no options")
    return url


def _postgresql(url: URL) -> URL:
    if not url.database:
        raise _refused("the name of the database is missing")
    if "@" in f"{url.host}{url.database}":
        raise _refused("write @ : / ? # in a password as %40 %3A %2F %3F %23")
    unknown = sorted(set(url.query) - set(_POSTGRES_OPTIONS))
    if unknown:
        raise _refused(f"the only options are {', '.join(_POSTGRES_OPTIONS)}")
    mode = url.query.get("sslmode")
    if mode is not None:
        url = url.difference_update_query(["sslmode"]).update_query_dict({"ssl": mode})
    for name, words in _CLOSED.items():
        if url.query.get(name, words[0]) not in words:
            raise _refused(f"{'sslmode' if name == 'ssl' else name} takes one of {', '.join(words)}")
    if not all(map(_is_port, _ports(url))):
        raise _refused(f"a port is a number from 1 to {_HIGHEST_PORT}")
    return url


def _ports(url: URL) -> tuple[str, ...]:
    # One of the address, and those of the option, where several servers are named.
    sent = url.query.get("port", ())
    listed = (sent,) if isinstance(sent, str) else sent
    told = () if url.port is None else (str(url.port),)
    return (*told, *(port for entry in listed for port in entry.split(",")))


def _is_port(text: str) -> bool:
    return (
        text.isascii()
        and text.isdigit()
        and len(text) <= len(str(_HIGHEST_PORT))
        and 0 < int(text) <= _HIGHEST_PORT
    )


def _refused(fault: str) -> SettingsInvalid:
    return SettingsInvalid(
        f"EFFORT_DATABASE_URL: {fault}. It takes sqlite:///file or postgresql://user@host/database"
    )
