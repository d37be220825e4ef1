"""`effort import` of good files, on both databases: all of it comes in, once, and teaches what it should."""

import os
import pty
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from uuid import UUID

import msgspec
import pytest

from service.api.lifters import LIFTER_PATH
from service.cli.import_csv import COLUMNS
from service.rules.learning.fold import learn_all
from service.rules.learning.performed import PerformedSet, ReserveCall
from service.storage.engine import Store
from service.storage.sites import list_sites
from service.storage.tenancy import tenant_reading
from tests.commands.imports import (
    FULL,
    GYM,
    HEADER,
    LIFTER,
    ROW,
    ask,
    effort,
    end_line,
    export,
    import_csv,
    import_json,
    lifter,
    lifter_line,
    open_gym,
    plain,
    rows,
    set_line,
    sets_of,
    summary,
)
from tests.databases import fresh_database
from tests.rules.lifters import NUMBERS, POLICY
from tests.storage.history import add, put

ROOT = Path(__file__).parents[2]
INSTANT = "2024-11-20T18:30:01Z"


@pytest.fixture
def token(database_url: str) -> str:
    """The gym is made in the database; a key of it."""
    return open_gym(database_url)


@pytest.mark.usefixtures("token")
def test_json_lines_come_in_as_they_were_told(database_url: str) -> None:
    """Profile and every member of a set; sets after an end name their lifter."""
    profile = {"experience": "novice", "goal": "strength", "cautions": ["pregnancy"]}
    lines = (lifter_line(**profile), set_line(**FULL), end_line(1), set_line(lifter_id="b2"))
    done = import_json(database_url, *lines)
    assert done == (0, "imported 2 sets of 2 lifters (0 were known already)\n", [])
    assert sets_of(database_url) == [msgspec.convert(FULL, PerformedSet)]
    row, other = lifter(database_url), lifter(database_url, "b2")
    assert (row.experience, row.goal, row.cautions, row.version) == ("novice", "strength", ("pregnancy",), 1)
    assert (other.experience, other.goal, other.cautions) == (None, None, ())


@pytest.mark.usefixtures("token")
def test_csv_comes_in_as_it_was_told(database_url: str) -> None:
    """Columns in any order, quoted cells over two lines, empty cells left out, with a byte order mark."""
    done = import_csv(
        database_url,
        f"\ufeff{','.join(reversed(COLUMNS))}\r",
        '"slow, ""grindy""',
        'but clean: ü",20.5,3,1,2.0,3,6,2.5,planned_stop,8.0,8e1,barbell_bench_press,'
        f"2024-11-20T18:30:00+01:00,{UUID(int=1)},a1\r",
        "",
        f",,,,,,,,planned_stop,8,0,barbell_bench_press,{INSTANT},{UUID(int=2)},a1\r",
    )
    assert done == (0, "imported 2 sets of 1 lifter (0 were known already)\n", [])
    bodyweight = plain(set_id=str(UUID(int=2)), performed_at=INSTANT, load_kg=0)
    assert sets_of(database_url) == [msgspec.convert(FULL, PerformedSet), bodyweight]


def test_every_member_of_a_set_has_a_column() -> None:
    """A member that is added to the API is not forgotten here."""
    call = {f"rir_call_{name}" for name in ReserveCall.__struct_fields__}
    assert {"lifter_id", *PerformedSet.__struct_fields__} - {"rir_call"} | call == set(COLUMNS)


def test_lifter_ids_are_those_of_the_api() -> None:
    """What the path of a lifter takes is taken, nothing else."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        taken = []
        for lifter_id in ("a", "A1_.:-", "9" * 64, "", "-a", "a b", "ä", "9" * 65, "a\n"):
            taken.append(import_json(url, lifter_line(lifter_id)).code == 0)
            assert taken[-1] == (LIFTER_PATH["lifter_id"].wrong(lifter_id) is None), lifter_id
        assert taken == [True] * 3 + [False] * 6


@pytest.mark.usefixtures("token")
def test_same_file_twice_changes_nothing(database_url: str) -> None:
    """With ids or without: sets alike in one file stay two, and are known the second time."""
    lines = (lifter_line(goal="strength"), set_line(), set_line(), set_line(set_id=str(UUID(int=5))))
    done = import_json(database_url, *lines)
    assert done.out == "imported 3 sets of 1 lifter (0 were known already)\n"
    before = sets_of(database_url), lifter(database_url), summary(database_url)
    assert len(before[0]) == 3
    again = import_json(database_url, *lines)
    assert again == (0, "imported 0 sets of 1 lifter (3 were known already)\n", [])
    assert (sets_of(database_url), lifter(database_url), summary(database_url)) == before


@pytest.mark.usefixtures("token")
def test_set_without_id_gets_the_same_one_in_either_format_and_for_ever(database_url: str) -> None:
    """Made of lifter and content: the instant counts, not its offset; 8.0 repetitions are 8."""
    import_csv(database_url, HEADER, ROW)
    told = set_line(lifter_id="a1", performed_at="2024-11-20T17:30:00.000Z", reps=8.0, note=None)
    assert "(1 were known already)" in import_json(database_url, told).out
    assert [each.set_id for each in sets_of(database_url)] == [UUID("83376c06-379b-5abf-a355-4477ee4ff379")]
    assert "imported 1 set of 1 lifter" in import_json(database_url, {**told, "lifter_id": "b2"}).out
    assert sets_of(database_url, "b2")[0].set_id != sets_of(database_url)[0].set_id


def test_exports_one_after_another_come_in_as_they_are(database_url: str, token: str) -> None:
    """From another database, with everything that was in it."""

    async def fill(store: Store, tenant_id: UUID) -> None:
        await put(store, tenant_id, "a1", experience="advanced", cautions=("under_18",))
        await put(store, tenant_id, "c3")
        await add(store, tenant_id, [msgspec.convert(FULL, PerformedSet)], "a1")
        some = [plain(set_id=str(UUID(int=n)), reps=n % 9) for n in range(1001)]
        await add(store, tenant_id, some, "b2")

    lifter_ids = ("a1", "b2", "c3")
    with fresh_database("sqlite") as other:
        other_token = open_gym(other)
        ask(other, fill)
        exports = [export(other, other_token, lifter_id) for lifter_id in lifter_ids]
    done = import_json(database_url, *exports)
    assert done == (0, "imported 1002 sets of 3 lifters (0 were known already)\n", [])
    assert [export(database_url, token, lifter_id) for lifter_id in lifter_ids] == exports


@pytest.mark.usefixtures("token")
def test_what_is_known_afterwards_is_that_of_all_sets(database_url: str) -> None:
    """Also where the lifter had sets before, newer than those that come in."""
    newer = plain(set_id=str(UUID(int=9)), performed_at="2024-12-01T18:30:00Z")

    async def fill(store: Store, tenant_id: UUID) -> None:
        await add(store, tenant_id, [newer], LIFTER)

    ask(database_url, fill)
    failed = set_line(set_endpoint="momentary_failure", rir_call={"at_rep": 6, "reps_left": 1})
    earlier = set_line(exercise="leg_press", load_kg=200, performed_at=INSTANT, reported_rir=2)
    assert import_json(database_url, lifter_line(), failed, earlier).code == 0
    stored = sets_of(database_url)
    assert len(stored) == 3
    assert summary(database_url).known == learn_all(stored, POLICY, NUMBERS)
    assert summary(database_url).stamp is not None


@pytest.mark.usefixtures("token")
def test_lifter_line_replaces_the_profile_and_leaves_the_site(database_url: str) -> None:
    """Without one the profile stays as it is."""

    async def fill(store: Store, tenant_id: UUID) -> None:
        await put(store, tenant_id, LIFTER, experience="novice", goal="strength", site="north")

    ask(database_url, fill)
    assert import_json(database_url, set_line(lifter_id=LIFTER)).code == 0
    assert (lifter(database_url).experience, lifter(database_url).version) == ("novice", 1)
    assert import_json(database_url, lifter_line(goal="hypertrophy")).code == 0
    changed = lifter(database_url)
    assert (changed.experience, changed.goal, changed.site) == (None, "hypertrophy", "north")


@pytest.mark.usefixtures("token")
def test_lifter_line_brings_the_site_along(database_url: str) -> None:
    """A site that is new is made; one that is named again stays."""
    assert import_json(database_url, lifter_line(site="south"), lifter_line("b2", site="south")).code == 0
    assert lifter(database_url).site == "south"
    assert import_json(database_url, lifter_line(site="east")).code == 0
    assert lifter(database_url).site == "east"

    async def names(store: Store, tenant_id: UUID) -> list[str]:
        async with tenant_reading(store, tenant_id) as r:
            return [site.name for site in await list_sites(r, tenant_id)]

    assert ask(database_url, names) == ["east", "south"]


def test_format_is_told_by_the_name_or_the_option(tmp_path: Path) -> None:
    """A name that tells nothing asks for the option; a missing file is named."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        for name in ("sets.CSV", "sets.txt", "sets"):
            (tmp_path / name).write_text(f"{HEADER}\n{ROW}\n")
        assert effort("import", str(tmp_path / "sets.CSV"), "--tenant", GYM, url=url).code == 0
        asked = effort("import", str(tmp_path / "sets.txt"), "--tenant", GYM, url=url)
        assert (asked.code, "--format" in asked.err[-1]) == (2, True)
        given = effort("import", str(tmp_path / "sets"), "--tenant", GYM, "--format", "csv", url=url)
        assert given.out == "imported 0 sets of 1 lifter (1 were known already)\n"
        missing = effort("import", str(tmp_path / "none.csv"), "--tenant", GYM, url=url)
        assert (missing.code, "No such file" in missing.err[-1]) == (2, True)
        assert rows(url)[:2] == (1, 1)


def _in_pipes(command: list[str], environ: dict[str, str]) -> tuple[int, bytes, bytes]:
    done = subprocess.run(command, cwd=ROOT, env=environ, capture_output=True, check=False)
    return done.returncode, done.stdout, done.stderr


def _at_terminal(command: list[str], environ: dict[str, str]) -> tuple[int, bytes, bytes]:
    leader, follower = pty.openpty()
    shown = b""
    with subprocess.Popen(command, cwd=ROOT, env=environ, stdout=subprocess.PIPE, stderr=follower) as process:
        os.close(follower)
        with suppress(OSError):  # Linux says so when the other end is gone
            while part := os.read(leader, 4096):
                shown += part
        assert process.stdout is not None
        out = process.stdout.read()
    os.close(leader)
    return process.returncode, out, shown


@pytest.mark.parametrize("at_terminal", [True, False])
def test_bar_is_shown_on_a_terminal_only(tmp_path: Path, at_terminal: bool) -> None:
    """It goes to standard error, without colour where NO_COLOR is set; standard output has the last line alone."""
    (tmp_path / "sets.csv").write_text(f"{HEADER}\n{ROW}\n")
    with fresh_database("sqlite") as url:
        open_gym(url)
        command = [sys.executable, "-m", "service", "import", str(tmp_path / "sets.csv"), "--tenant", GYM]
        told = {"EFFORT_DATABASE_URL": url, "NO_COLOR": "1", "TERM": "xterm", "COLUMNS": "100"}
        environ = {**os.environ, **told}
        code, out, shown = _at_terminal(command, environ) if at_terminal else _in_pipes(command, environ)
    assert (code, out) == (0, b"imported 1 set of 1 lifter (0 were known already)\n")
    assert (b"storing" in shown, b"\x1b[3" in shown) == (at_terminal, False)
