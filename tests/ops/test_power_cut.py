"""The power fails under a service on SQLite: what it has acknowledged is on the disk."""

import sqlite3
from contextlib import closing
from pathlib import Path

from service.storage.migrate import migrate
from tests.contract.server import ROOT
from tests.databases import outside_loop
from tests.ops.aftermath import KILLS, LOAD_SECONDS, TOLD
from tests.ops.clients import training
from tests.ops.journal import read_journal
from tests.ops.power_cut import Disk, after_the_cut, disk, standing_still
from tests.ops.replicas import replica
from tests.ops.verdict import Verdict, examined

# Read by every Python that finds it on its path, so also by the workers of a server.
CARELESS = """import service.storage.sqlite as sqlite

asked = sqlite._pragma

async def pragma(connection, setting):
    await asked(connection, setting.replace("synchronous = FULL", "synchronous = NORMAL"))

sqlite._pragma = pragma
"""


async def cut(of: Disk, folder: Path, *, cuts: int, **environ: str) -> list[tuple[Path, bytes]]:
    """Return what so many power cuts under load leave: copies of the disk, and the journals of those moments."""
    database = of.folder / "effort.db"
    url = f"sqlite:///{database}"
    outside_loop(lambda: migrate(url))
    left = []
    with replica(url, folder, **environ) as one:
        async with training(one.address, url, folder) as load:
            with closing(sqlite3.connect(database)) as connection:
                connection.execute("PRAGMA wal_checkpoint(FULL)")  # tables and keys are safe
            for number in range(cuts):
                await load.going_on(LOAD_SECONDS)
                with standing_still(one):
                    # After it has stopped: no row on the disk is of a request that is not in the journal yet.
                    left.append((of.copy(folder / f"cut-{number}"), load.journal.path.read_bytes()))
    return left


async def verdict_on(copy: Path, journal: bytes, *, without_log: bool = False) -> Verdict:
    """Return the verdict on a copied disk; what is on it is a whole database in any case."""
    with after_the_cut(copy) as found:
        database = found / "effort.db"
        if without_log:
            (found / "effort.db-wal").unlink()
        with closing(sqlite3.connect(database)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return await examined(f"sqlite:///{database}", read_journal(journal))


def means(of: Disk) -> str:
    """Return how the power was cut."""
    return "image of a disk" if of.image else "copied files, no loop device here"


async def test_power_cut_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """Again and again under load."""
    with disk(tmp_path) as of:
        left = await cut(of, tmp_path, cuts=KILLS)
        verdicts = [await verdict_on(copy, journal) for copy, journal in left]
    assert [verdict.faults for verdict in verdicts] == [()] * KILLS
    acknowledged = [verdict.acknowledged for verdict in verdicts]
    assert acknowledged[0] > 0
    TOLD.append(
        f"power cut under SQLite ({means(of)}): of {acknowledged} acknowledged sets at {KILLS} cuts 0 lost"
    )


async def test_control_without_syncs_a_power_cut_loses_sets(tmp_path: Path) -> None:
    """`synchronous=NORMAL` syncs now and then only, and it is seen; elsewhere: the files without their log."""
    careless = tmp_path / "careless"
    careless.mkdir()
    (careless / "sitecustomize.py").write_text(CARELESS, "utf-8")
    with disk(tmp_path) as of:
        environ = {"PYTHONPATH": f"{careless}:{ROOT}"} if of.image else {}
        left = await cut(of, tmp_path, cuts=KILLS, **environ)
        verdicts = [await verdict_on(copy, journal, without_log=of.image is None) for copy, journal in left]
    lost = [verdict.lost for verdict in verdicts]
    assert sum(lost) > 0
    acknowledged = [verdict.acknowledged for verdict in verdicts]
    setting = "synchronous=NORMAL" if of.image else "the log left out"
    TOLD.append(f"control, {setting} ({means(of)}): of {acknowledged} acknowledged sets {lost} lost")
