"""PostgreSQL as it is run in earnest: data on disk and synced, a standby, and its worst days."""

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

from service.storage.migrate import migrate
from tests.databases import kept, outside_loop
from tests.ops.replicas import children_of
from tests.ports import free_port
from tests.postgres import (
    OWNER,
    SUPERUSER,
    PostgresMissingError,
    PostgresServer,
    folder_for,
    run,
    running_postgres,
    sql,
    start,
    stop,
)

DURABLE = ("fsync=on", "full_page_writes=on", "wal_level=replica", "hot_standby=on")
# What an operator must not do: commits are told before they are on disk. The log is written every ten seconds only, so
# that a crash shows it within one.
FORGETFUL = (
    "synchronous_commit=off",
    "wal_writer_delay=10s",
    "wal_writer_flush_after=1GB",
    "wal_buffers=64MB",
)
DATABASE, STANDBY = "effort", "standby_1"
ENDS_WITHIN_SECONDS = 60


@contextmanager
def durable_postgres(*settings: str) -> Iterator[PostgresServer]:
    """Yield a server that keeps what it has acknowledged, with the migrated database `effort`; stopped at the end."""
    template = _template()
    with folder_for(template.run_as) as parent:
        server = replace(template, data=parent / "data", port=free_port())
        run(["cp", "-a", template.data, server.data], server.run_as)
        with (server.data / "postgresql.conf").open("a", encoding="utf-8") as file:
            file.writelines(f"{setting}\n" for setting in (f"port={server.port}", *DURABLE, *settings))
        start(server)
        try:
            yield server
        finally:
            stop(server)


@cache
def _template() -> PostgresServer:
    """A server that is not running, whose data is copied: a new cluster with the newest schema takes seconds."""
    server = kept.enter_context(running_postgres(on_disk=True))
    make_database(server, DATABASE)
    stop(server)
    return server


def make_database(server: PostgresServer, name: str, options: str = "") -> str:
    """Make a database with the newest schema; its URL. `options` as CREATE DATABASE takes them."""
    sql(server, f"CREATE DATABASE {name} OWNER {OWNER} {options}")
    outside_loop(partial(migrate, server.url(name)))
    return server.url(name)


def crash(server: PostgresServer) -> None:
    """Kill every process of the server with -9, so that none can tidy up."""
    postmaster, *others = processes_of(server)
    os.kill(postmaster, signal.SIGSTOP)  # or it would start new ones
    for pid in (*others, postmaster):
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    _wait_until_dead(server, [postmaster, *others])


def _wait_until_dead(server: PostgresServer, pids: list[int]) -> None:
    give_up = time.monotonic() + ENDS_WITHIN_SECONDS
    while any(_is_alive(pid) for pid in pids):
        assert time.monotonic() < give_up, "the server's processes do not end"
        time.sleep(0.01)
    # Where nobody collects dead processes, the next start would take the dead one for a running one.
    (server.data / "postmaster.pid").unlink(missing_ok=True)


def start_again(server: PostgresServer) -> str:
    """Bring a server back that ran out of room: it has ended, is about to, or mends itself. What it did."""
    postmaster = processes_of(server)[0] if (server.data / "postmaster.pid").exists() else None
    give_up = time.monotonic() + ENDS_WITHIN_SECONDS
    while time.monotonic() < give_up:
        if postmaster is None or not _is_alive(postmaster):
            (server.data / "postmaster.pid").unlink(missing_ok=True)
            start(server)
            return "stopped for good"
        with contextlib.suppress(PostgresMissingError):
            sql(server, "SELECT pg_switch_wal()")
            return "mended itself"
        time.sleep(0.1)
    raise AssertionError("the server neither ends nor answers")


def crash_and_start(server: PostgresServer) -> None:
    """`crash`, and start again: the server mends itself from its log."""
    crash(server)
    start(server)


def processes_of(server: PostgresServer) -> list[int]:
    """Return the ids of its processes, the postmaster's first."""
    postmaster = int((server.data / "postmaster.pid").read_text("utf-8").splitlines()[0])
    return [postmaster, *children_of(postmaster)]


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    with contextlib.suppress(OSError):
        return state.read_text("utf-8").rpartition(")")[2].split()[0] != "Z"
    return True


@contextmanager
def standby_of(primary: PostgresServer, *, source_port: int | None = None) -> Iterator[PostgresServer]:
    """Yield a running standby of `primary`, a copy that follows its log; stopped and removed at the end.

    It reaches the primary at `source_port` of this machine, which may be a wire that a test can cut.
    """
    with folder_for(primary.run_as) as parent:
        standby = replace(primary, data=parent / "data", port=free_port())
        source = (
            f"host=127.0.0.1 port={source_port or primary.port} user={SUPERUSER} application_name={STANDBY}"
        )
        copy = ["-D", standby.data, "-d", source, "-R", "-X", "stream", "-c", "fast", "--no-sync"]
        run([primary.programs / "pg_basebackup", *copy], primary.run_as)
        run(["sh", "-c", f"echo port={standby.port} >> {standby.data}/postgresql.auto.conf"], primary.run_as)
        start(standby)
        try:
            yield standby
        finally:
            stop(standby)


def follow_synchronously(primary: PostgresServer) -> None:
    """Make the primary tell a commit only once the standby has it on disk."""
    sql(primary, "ALTER SYSTEM SET synchronous_standby_names = '*'", "SELECT pg_reload_conf()")
    wait_for(primary, "SELECT 1 / count(*) FROM pg_stat_replication WHERE sync_state = 'sync'")


def promote(standby: PostgresServer) -> None:
    """Make the standby a primary that takes writes."""
    sql(
        standby,
        "SELECT pg_promote()",
        "ALTER SYSTEM SET synchronous_standby_names = ''",
        "SELECT pg_reload_conf()",
    )


def wait_for(server: PostgresServer, query: str, database: str = "postgres") -> None:
    """Return once the query does not fail: one that divides by a count waits for a row."""
    give_up = time.monotonic() + ENDS_WITHIN_SECONDS
    while True:
        try:
            return sql(server, query, database=database)
        except PostgresMissingError:
            if time.monotonic() > give_up:
                raise
        time.sleep(0.05)
