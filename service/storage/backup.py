"""Copies of a SQLite database, made while it serves, and putting one back. A copy is whole or it is not there.

Everything is written beside its place, checked, brought to the disk, and then put there in one step; whatever stops it
leaves what was there before.
"""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from msgspec import Struct

from service.errors import BackupFailed
from service.storage.database_url import parse_database_url
from service.storage.migrate import HEAD_REVISION

_TABLES = ("tenants", "lifters", "performed_sets", "audit")
# What SQLite may have left beside a file, and would read into another file of that name.
_BESIDE = ("-wal", "-shm", "-journal")
_PATIENCE_SECONDS = 5.0
_POSTGRESQL_PORT = 5432
_OTHERS_ARE_IN = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


class Contents(Struct, frozen=True, kw_only=True):
    """What a database holds: the revision of its schema, its size, how many rows."""

    revision: str
    size_bytes: int
    tenants: int
    lifters: int
    performed_sets: int
    audit: int


def back_up(url: str, file: Path, *, force: bool) -> Contents:
    """Copies the SQLite database at `url` into `file`, as it is at one moment; what the copy holds.

    The database goes on serving, writes included. With `force` a file that is there is replaced. Raises BackupFailed,
    SettingsInvalid.
    """
    source = _sqlite_file(url)
    with _told(source):
        _refuse(source, file, force=force)
        with _put_in_place(file) as new:
            return _copied(source, new)


def restore(file: Path, url: str, *, force: bool) -> Contents:
    """Puts the copy in `file` in the place of the SQLite database at `url`; what it holds.

    With `force` a database that is there is replaced, when nobody uses it. Raises BackupFailed, also for a copy whose
    schema this release does not know, and SettingsInvalid.
    """
    target = _sqlite_file(url)
    with _told(file):
        _refuse(file, target, force=force)
        with _put_in_place(target) as new:
            contents = _copied(file, new)
            if contents.revision > HEAD_REVISION:
                raise BackupFailed(
                    f"{file} is of revision {contents.revision}: restore it with that newer release"
                )
            with _told(target):
                _clear(target)
            return contents


def _sqlite_file(url: str) -> Path:
    parsed = parse_database_url(url)
    if parsed.get_backend_name() != "sqlite":
        raise BackupFailed("EFFORT_DATABASE_URL names no SQLite file")
    # Where a link leads: SQLite keeps its log there, and a restored file that took the place of the link would lie on
    # another disk than the one it was meant for.
    return Path(str(parsed.database)).resolve()


def postgresql_address(url: str) -> tuple[str, int, str] | None:
    """Host, port and name of the PostgreSQL database at `url`; None when it is SQLite. Raises SettingsInvalid."""
    parsed = parse_database_url(url)
    if parsed.get_backend_name() == "sqlite":
        return None
    return parsed.host or "localhost", parsed.port or _POSTGRESQL_PORT, str(parsed.database)


def _refuse(source: Path, target: Path, *, force: bool) -> None:
    if not source.is_file():
        raise BackupFailed(f"{source}: there is no such file")
    if not target.parent.is_dir():
        raise BackupFailed(f"{target.parent}: there is no such folder")
    if target.exists() and not target.is_file():
        raise BackupFailed(f"{target} is no file; name another one")
    if target.exists() and target.samefile(source):
        raise BackupFailed(f"{target} is the same file; name another one")
    if target.exists() and not force:
        raise BackupFailed(f"{target} is there already; --force replaces it")


@contextmanager
def _told(file: Path) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise BackupFailed(f"{file}: {error}") from error


@contextmanager
def _put_in_place(target: Path) -> Iterator[Path]:
    """A new file beside `target`, which takes its place when the block ends; an exception leaves nothing."""
    # Of mode 600, until it is known whom it replaces: it holds everything.
    with _told(target):
        number, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".partial", dir=target.parent)
    os.close(number)
    new = Path(name)
    try:
        yield new
        if target.exists():
            _take_after(target, new)
        _to_disk(new)
        new.replace(target)
        if os.name == "posix":
            _to_disk(target.parent)
    finally:
        for file in (new, *_beside(new)):
            file.unlink(missing_ok=True)


def _take_after(old: Path, new: Path) -> None:
    """Who could open the old file can open the new one."""
    shutil.copymode(old, new)
    was, now = old.stat(), new.stat()
    if (was.st_uid, was.st_gid) != (now.st_uid, now.st_gid):
        os.chown(new, was.st_uid, was.st_gid)


def _to_disk(path: Path) -> None:
    number = os.open(path, os.O_RDWR if path.is_file() else os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _copied(source: Path, new: Path) -> Contents:
    with closing(_opened(source, "rw")) as old, closing(_opened(new, "rw")) as copy:
        copy.execute("PRAGMA synchronous = OFF")  # brought to the disk as a whole
        # In one step: one moment of the database, however much is written meanwhile.
        old.backup(copy)
        # One file that can be carried away. Who serves from it makes it a write-ahead log again.
        copy.execute("PRAGMA journal_mode = DELETE")
        return _checked(source, copy, new)


def _checked(source: Path, copy: sqlite3.Connection, new: Path) -> Contents:
    found = [row[0] for row in copy.execute("PRAGMA integrity_check")]
    if found != ["ok"]:
        raise BackupFailed(f"{source} is damaged: {'; '.join(found[:3])}")
    tables = {row[0] for row in copy.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    revision = (
        copy.execute("SELECT version_num FROM alembic_version").fetchone()
        if "alembic_version" in tables
        else None
    )
    if revision is None:
        raise BackupFailed(f"{source} is no database of this service")
    # A table may be missing: an older release's database can be copied too.
    count = {
        table: copy.execute(f"SELECT count(*) FROM {table}").fetchone()[0] if table in tables else 0  # noqa: S608 - our own names
        for table in _TABLES
    }
    return Contents(revision=revision[0], size_bytes=new.stat().st_size, **count)


def _clear(target: Path) -> None:
    """Makes sure that nobody uses the database that is to be replaced, and leaves nothing of it to be read later."""
    if target.exists():
        try:
            with closing(_opened(target, "rw")) as old:
                # Nobody else may be in for that, not even idle; what stands in the log goes into the file.
                old.execute("PRAGMA journal_mode = DELETE").fetchone()
        except sqlite3.DatabaseError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in _OTHERS_ARE_IN:
                raise BackupFailed(f"{target} is in use: stop the service first") from error
            # Damaged, then: that is what backups are for.
    for file in _beside(target):
        file.unlink(missing_ok=True)


def _beside(file: Path) -> list[Path]:
    return [file.with_name(file.name + ending) for ending in _BESIDE]


def _opened(file: Path, mode: str) -> sqlite3.Connection:
    address = f"{file.absolute().as_uri()}?mode={mode}"
    return sqlite3.connect(address, uri=True, timeout=_PATIENCE_SECONDS, isolation_level=None)
