"""`effort backup` and `effort restore` on SQLite: whole or not at all, while others write, whatever goes wrong."""

import os
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing, suppress
from pathlib import Path

import pytest

from service.storage.migrate import HEAD_REVISION, alembic_config
from tests.commands.copies import assert_whole, exports, serving, writing
from tests.commands.imports import Done, effort, import_json, lifter_line, open_gym, rows, set_line
from tests.contract.server import ROOT
from tests.databases import fresh_database

KILLS_AT_MOST = 20


def backup(url: str, file: Path, *options: str) -> Done:
    """Run `effort backup`."""
    return effort("backup", str(file), *options, url=url)


def restore(file: Path, url: str, *options: str) -> Done:
    """Run `effort restore`."""
    return effort("restore", str(file), *options, url=url)


def at(file: Path) -> str:
    """The URL of a SQLite file."""
    return f"sqlite:///{file}"


def file_of(url: str) -> Path:
    """The file of a SQLite URL."""
    return Path(url.removeprefix("sqlite:///"))


def refused(done: Done, *words: str) -> None:
    """The command failed on purpose, in one line with these words."""
    assert (done.code, done.out, len(done.err)) == (2, "", 1), done
    for word in words:
        assert word in done.err[0]


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """A database with a lifter who has two sets."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        lines = [lifter_line(), set_line(reps=7), set_line(reps=8)]
        assert import_json(url, *lines).code == 0
        file = tmp_path / "filled.db"
        assert backup(url, file).code == 0
    return file


def test_a_backup_made_under_writes_is_one_moment_of_the_database(tmp_path: Path) -> None:
    """All that was acknowledged before, whole sessions only, summaries as recomputed; writers notice nothing."""
    with fresh_database("sqlite") as url, serving(url, tmp_path) as (replica, token):
        first, last = tmp_path / "first.db", tmp_path / "last.db"
        with writing(replica, token) as writers:
            writers.write_on()
            before = dict(writers.acknowledged)
            done = backup(url, first)
            writers.write_on()
            after = dict(writers.acknowledged)
        assert done.code == 0, done.err
        assert backup(url, last).code == 0
        whole = exports(url, token)
    for file, at_least in ((first, before), (last, after)):
        restored = at(tmp_path / f"restored-{file.name}")
        told = restore(file, restored)
        assert (told.code, told.err) == (0, [])
        assert f"revision {HEAD_REVISION}" in told.out
        assert_whole(restored, at_least)
    assert exports(at(tmp_path / "restored-last.db"), token) == whole
    assert exports(at(tmp_path / "restored-first.db"), token) != whole


def test_a_backup_that_is_killed_leaves_the_old_one(tmp_path: Path) -> None:
    """With kill -9 while it copies: the file is the old one to the byte, and the next backup works."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        notes = [set_line(note=f"{number:0>500}") for number in range(20_000)]
        assert import_json(url, lifter_line(), *notes).code == 0
        file = tmp_path / "effort.bak"
        file.write_bytes(b"the old one")
        killed = _killed_while_copying(url, file)
        assert killed == -signal.SIGKILL
        assert file.read_bytes() == b"the old one"
        assert backup(url, file, "--force").code == 0
        assert restore(file, at(tmp_path / "restored.db")).code == 0
        assert rows(at(tmp_path / "restored.db"))[:2] == (1, 20_000)


def _killed_while_copying(url: str, file: Path) -> int:
    old = file.read_bytes()
    for _ in range(KILLS_AT_MOST):
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "backup", str(file), "--force"],
            cwd=ROOT,
            env={**os.environ, "EFFORT_DATABASE_URL": url},
            stdout=subprocess.DEVNULL,
        )
        while process.poll() is None:
            with suppress(FileNotFoundError):  # it has got its name meanwhile
                if any(each.stat().st_size for each in file.parent.glob(".*.partial")):
                    process.kill()
        if process.wait(30):
            return process.returncode
        file.write_bytes(old)  # on a busy machine it may be over before it is seen to have begun
    return 0


def test_a_backup_never_overwrites_unless_told(filled: Path, tmp_path: Path) -> None:
    """Without --force what is there stays; the database itself is never its own backup."""
    file = tmp_path / "there.bak"
    file.write_bytes(b"mine")
    refused(backup(at(filled), file), "there already", "--force")
    assert file.read_bytes() == b"mine"
    assert backup(at(filled), file, "--force").code == 0
    assert rows(at(file))[:2] == (1, 2)
    refused(backup(at(filled), filled, "--force"), "the same file")
    assert rows(at(filled))[:2] == (1, 2)
    refused(
        backup(at(filled), tmp_path / "away" / "new.bak"), f"{tmp_path / 'away'}: there is no such folder"
    )


def test_what_is_no_file_is_not_replaced(filled: Path, tmp_path: Path) -> None:
    """Not even when told: a pipe, or a device that everybody writes to, is nobody's old backup."""
    pipe, inside = tmp_path / "pipe", tmp_path / "missing" / "effort.bak"
    os.mkfifo(pipe)
    refused(backup(at(filled), pipe, "--force"), f"{pipe} is no file")
    refused(restore(filled, at(pipe), "--force"), f"{pipe} is no file")
    assert pipe.is_fifo()
    refused(backup(at(filled), inside), f"{inside.parent}: there is no such folder")


def test_a_backup_tells_what_it_holds_and_is_for_its_owner_only(filled: Path, tmp_path: Path) -> None:
    """Counts and revision in one line; mode 600, or that of the file it replaces."""
    file = tmp_path / "effort.bak"
    told = backup(at(filled), file)
    size = file.stat().st_size
    assert told.out == (
        f"backed up to {file}: revision {HEAD_REVISION}, 1 tenants, 1 lifters, 2 sets, 1 audit entries, "
        f"{size} bytes; integrity ok\n"
    )
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    file.chmod(0o640)
    assert backup(at(filled), file, "--force").code == 0
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert list(tmp_path.glob(".*")) == []


def test_what_is_no_database_of_this_service_is_not_backed_up(filled: Path, tmp_path: Path) -> None:
    """Absent, another program's, no database at all, damaged: told in one line, and nothing is written."""
    other, text, broken = tmp_path / "other.db", tmp_path / "text.db", tmp_path / "broken.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE notes (text)")
    text.write_bytes(b"not a database at all" * 100)
    damage(filled, broken)
    file = tmp_path / "effort.bak"
    file.write_bytes(b"the old one")
    refused(backup(at(tmp_path / "absent.db"), file, "--force"), "no such file")
    refused(backup(at(other), file, "--force"), "no database of this service")
    refused(backup(at(text), file, "--force"), "not a database")
    refused(backup(at(broken), file, "--force"), "broken.db")
    refused(backup(at(filled), tmp_path / "no folder" / "effort.bak"), "there is no such folder")
    assert file.read_bytes() == b"the old one"
    assert list(tmp_path.glob(".*")) == []
    assert not (tmp_path / "absent.db").exists()


def damage(file: Path, to: Path) -> None:
    """A copy of a database in which pages in the middle are noise."""
    content = bytearray(file.read_bytes())
    for page in range(5, len(content) // 4096, 3):
        content[page * 4096 : page * 4096 + 200] = os.urandom(200)
    to.write_bytes(content)


def test_a_restore_never_overwrites_unless_told(filled: Path, tmp_path: Path) -> None:
    """Without --force the database that is there stays; with it the backup is what is there."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        refused(restore(filled, url), "there already", "--force")
        assert rows(url) == (0, 0, 0)
        assert restore(filled, url, "--force").code == 0
        assert rows(url)[:2] == (1, 2)
        refused(restore(file_of(url), url, "--force"), "the same file")
    refused(restore(tmp_path / "absent.bak", at(tmp_path / "new.db")), "no such file")
    assert not (tmp_path / "new.db").exists()


def test_a_database_behind_a_link_is_restored_where_the_link_leads(filled: Path, tmp_path: Path) -> None:
    """The link stays, and what it led to is what was restored: on the disk that was chosen for it."""
    elsewhere, link = tmp_path / "disk", tmp_path / "effort.db"
    elsewhere.mkdir()
    link.symlink_to(elsewhere / "effort.db")
    for options in ((), ("--force",)):
        assert restore(filled, at(link), *options).code == 0
        assert link.is_symlink()
        assert rows(at(elsewhere / "effort.db"))[:2] == (1, 2)


def test_a_damaged_or_newer_backup_is_not_restored(filled: Path, tmp_path: Path) -> None:
    """The database that is there stays as it is."""
    broken, newer = tmp_path / "broken.bak", tmp_path / "newer.bak"
    damage(filled, broken)
    newer.write_bytes(filled.read_bytes())
    with closing(sqlite3.connect(newer)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999_01_01'")
    with fresh_database("sqlite") as url:
        before = file_of(url).read_bytes()
        refused(restore(broken, url, "--force"), "broken.bak")
        refused(restore(newer, url, "--force"), "9999_01_01", "newer release")
        assert file_of(url).read_bytes() == before
        assert [each.name for each in file_of(url).parent.iterdir()] == [file_of(url).name]


def test_an_older_backup_is_restored_and_says_to_migrate(tmp_path: Path) -> None:
    """A release can bring back what an earlier one saved."""
    from alembic import command  # noqa: PLC0415 - only here

    old, file = tmp_path / "old.db", tmp_path / "old.bak"
    command.upgrade(alembic_config(at(old)), "2026_11_25b")
    assert backup(at(old), file).code == 0
    new = at(tmp_path / "new.db")
    told = restore(file, new)
    assert told.code == 0
    assert "2026_11_25b" in told.out
    assert "effort migrate" in told.err[0]
    assert effort("migrate", url=new).code == 0


def test_a_database_in_use_is_not_replaced(filled: Path, tmp_path: Path) -> None:
    """A service that serves from it would go on with the old file and lose what it stores: stop it first."""
    with fresh_database("sqlite") as url, serving(url, tmp_path) as (replica, token):
        with writing(replica, token) as writers:
            writers.write_on()
        refused(restore(filled, url, "--force"), "in use", "stop the service")
        assert_whole(url, writers.acknowledged)
        replica.stop()
        assert restore(filled, url, "--force").code == 0
        assert rows(url)[:2] == (1, 2)


@pytest.mark.parametrize("with_file", [True, False], ids=["beside its file", "alone"])
def test_a_log_left_by_a_crash_is_not_read_into_the_restored_database(
    filled: Path, tmp_path: Path, *, with_file: bool
) -> None:
    """What the old database had in its write-ahead log is gone with it."""
    with fresh_database("sqlite") as url, serving(url, tmp_path) as (replica, token):
        with writing(replica, token) as writers:
            writers.write_on()
        replica.kill()
        file = file_of(url)
        assert file.with_name(file.name + "-wal").stat().st_size > 0
        if not with_file:
            file.unlink()
        assert restore(filled, url, "--force").code == 0
        assert rows(url)[:2] == (1, 2)
        with closing(sqlite3.connect(file)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_damaged_database_is_replaced_when_told(filled: Path, tmp_path: Path) -> None:
    """That is what backups are for."""
    broken = tmp_path / "broken.db"
    broken.write_bytes(b"SQLite format 3\0" + os.urandom(8192))
    assert restore(filled, at(broken), "--force").code == 0
    assert rows(at(broken))[:2] == (1, 2)


def test_a_restored_database_goes_on_as_before(filled: Path, tmp_path: Path) -> None:
    """It is served, keys work, sets are stored, and it can be backed up again."""
    new = at(tmp_path / "new.db")
    assert restore(filled, new).code == 0
    with serving(new, tmp_path) as (replica, token), writing(replica, token) as writers:
        writers.write_on()
    assert backup(new, tmp_path / "again.bak").code == 0
