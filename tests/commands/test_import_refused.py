"""`effort import` of files that are not good: every bad line told by its number, nothing stored, exit code 2."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.cli.import_csv import COLUMNS
from service.cli.import_rows import Checks, gathered
from service.cli.importing import READERS, Format
from service.errors import InputRefused
from service.policy.catalogue import load_policies
from service.rules.learning.performed import PerformedSet
from service.storage.engine import Store
from tests.commands.imports import (
    FULL,
    GYM,
    HEADER,
    LIFTER,
    ROW,
    SET,
    ask,
    effort,
    end_line,
    import_csv,
    import_json,
    lifter_line,
    open_gym,
    rows,
    set_line,
    sets_of,
)
from tests.databases import fresh_database
from tests.storage.history import add

CHECKS = Checks(load_policies(), datetime(2026, 12, 1, tzinfo=UTC))
CUT = "the export was cut"
# After a good lifter line: lines, and how what is told of them begins.
BAD_JSON: list[tuple[list[Any], list[str]]] = [
    ([set_line(load_kg="heavy")], ['line 2: load_kg: must be a number from 0 to 1000 [kg], not "heavy"']),
    ([set_line(reps="8")], ['line 2: reps: must be a whole number from 0 to 200 [repetitions], not "8"']),
    ([set_line(reps=8.5, load_kg=-1)], ["line 2: load_kg: must be ", "line 2: reps: must be a whole number"]),
    ([set_line(reps=True)], ["line 2: reps: must be a whole number"]),
    ([set_line(load_kg=None)], ["line 2: load_kg: must be a number"]),
    (
        [set_line(rir_call={"at_rep": 9, "reps_left": 1})],
        ["line 2: rir_call.at_rep: 9 is more than reps (8)"],
    ),
    ([set_line(rir_call={"at_rep": 9})], ["line 2: rir_call.reps_left: is required"]),
    ([set_line(exercise="moon_press")], ["line 2: exercise: no exercise of this id in policy"]),
    ([set_line(set_endpoint="fail")], ["line 2: set_endpoint: must be one of planned_stop, "]),
    ([set_line(performed_at="2099-01-01T00:00:00Z")], ["line 2: performed_at: must lie from 2000-01-01"]),
    ([set_line(performed_at="2024-11-20 18:30")], ["line 2: performed_at: must be an instant with `T`"]),
    ([set_line(set_id="7")], ['line 2: set_id: must be a UUID, not "7"']),
    ([set_line(weight=8)], ["line 2: weight: unknown member; known: "]),
    ([set_line(note="a\0b")], ["line 2: note: must be text"]),
    (
        [set_line(lifter_id="?")],
        ["line 2: lifter_id: must be 1 to 64 letters, digits and _ . : - , starting"],
    ),
    ([{"type": "set"}], [f"line 2: {name}: is required" for name in SET]),
    ([{"type": "sets"}], ['line 2: type: must be one of lifter, set, end, not "sets"']),
    ([{}], ["line 2: type: must be one of lifter, set, end, not null"]),
    ([[]], ["line 2: must be an object, not []"]),
    ([b"{\n", set_line(), b"}\n"], ["line 2: is not JSON that can be read: ", "line 4: is not JSON"]),
    ([b"\n", b'{"type":"set","note":"\xff"}\n'], ["line 3: is not JSON that can be read: invalid UTF-8"]),
    ([lifter_line(goal="size")], ["line 2: goal: must be one of "]),
    ([lifter_line(cautions=["under_18"] * 2)], ["line 2: cautions.1: under_18 is repeated"]),
    ([lifter_line(site="no site")], ["line 2: site: must be 1 to 64 letters, digits and _ . - , starting"]),
    ([lifter_line(place="north")], ["line 2: place: unknown member"]),
    ([{"type": "lifter"}, set_line()], ["line 2: lifter_id: is required"]),
    (
        [set_line(**FULL), set_line(**{**FULL, "reps": 9})],
        [f"line 3: set_id: {FULL['set_id']} stands on line 2"],
    ),
    ([set_line(), end_line(2)], [f"line 3: sets: 2, but 1 came since the lifter on line 1: {CUT}"]),
    ([set_line(), end_line(0)], [f"line 3: sets: 0, but 1 came since the lifter on line 1: {CUT}"]),
    ([set_line(), end_line(1), set_line()], ["line 4: lifter_id: is required"]),
    ([set_line(), end_line(1), end_line(1)], ["line 4: this end has no lifter line before it"]),
    ([end_line(0), lifter_line("b2")], [f"line 3: {CUT}: no end line closes this lifter"]),
    ([lifter_line("b2"), end_line(0)], [f"line 1: {CUT}: no end line closes this lifter"]),
    ([b"{\n", end_line(1)], ["line 2: is not JSON that can be read: "]),
    ([{"type": "end", "sets": "1"}], ["line 2: sets: must be a whole number from 0"]),
]
BAD_CSV: list[tuple[list[str | bytes], list[str]]] = [
    ([], ["line 1: the header row is missing"]),
    ([ROW], ['line 1: unknown columns: "a1", "2024-', "line 1: missing columns: lifter_id, performed_at, "]),
    ([HEADER.replace(",load_kg", "")], ["line 1: missing columns: load_kg"]),
    ([f"{HEADER},reps,set_id"], ["line 1: repeated columns: reps"]),
    ([f"{HEADER},Reps,"], ['line 1: unknown columns: "Reps", ""; known: lifter_id, set_id, ']),
    ([HEADER.replace(",", ";")], ['line 1: unknown columns: "lifter_id;', "line 1: missing columns: "]),
    ([HEADER.encode("utf-16")], ["line 1: is not UTF-8"]),
    ([HEADER, ROW.replace("80", "heavy")], ["line 2: load_kg: must be a number from 0 to 1000 [kg]"]),
    ([HEADER, ROW.replace("80", '"82,5"')], ["line 2: load_kg: must be a number from 0 to 1000 [kg]"]),
    (
        [HEADER, ROW.replace("80", "NaN")],
        ['line 2: load_kg: must be a number from 0 to 1000 [kg], not "NaN"'],
    ),
    ([HEADER, ROW.replace("80", "1e999")], ["line 2: load_kg: must be a number from 0 to 1000 [kg]"]),
    ([HEADER, ROW.replace("80", "9" * 5000)], ["line 2: load_kg: must be a number from 0 to 1000 [kg]"]),
    ([HEADER, ROW.replace(",8,", ",8.5,")], ["line 2: reps: must be a whole number from 0 to 200"]),
    ([HEADER, ROW.replace(",8,", ",,")], ["line 2: reps: is required"]),
    ([HEADER, ROW.replace("a1", "")], ["line 2: lifter_id: is required"]),
    ([HEADER, ROW.replace("a1", "=a1")], ["line 2: lifter_id: must be 1 to 64 letters"]),
    ([HEADER, f"{ROW},"], ["line 2: has 7 cells, the header 6"]),
    ([HEADER, "a1"], ["line 2: has 1 cells, the header 6"]),
    ([HEADER, f'"{ROW}'], ["line 2: is not CSV that can be read: "]),
    ([HEADER, ROW, f'"a1"b{ROW}', "a1"], ["line 3: is not CSV that can be read: ", "line 4: has 1 cells"]),
    ([HEADER, ROW, b"\xff"], ["line 3: is not UTF-8"]),
    ([f"{HEADER},rir_call_at_rep", f"{ROW},9"], ["line 2: rir_call_reps_left: is required"]),
    (
        [f"note,{HEADER},rir_call_at_rep,rir_call_reps_left", f'"a\n\nb",{ROW},9,1', f'"\n",{ROW},0,1'],
        ["line 2: rir_call_at_rep: 9 is more than reps (8)", "line 5: rir_call_at_rep: must be a whole"],
    ),
    (
        [f"set_id,{HEADER}", f"{UUID(int=1)},{ROW}", "", f"{UUID(int=1)},{ROW.replace('80', '85')}"],
        [f"line 4: set_id: {UUID(int=1)} stands on line 2 with other content"],
    ),
]


@pytest.fixture(scope="module")
def gym_url() -> Iterator[str]:
    """A database whose gym nothing may come into."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        yield url


def told_are(err: list[str], faults: list[str]) -> bool:
    """True when each line begins with its fault."""
    return len(err) == len(faults) and all(
        line.startswith(f"effort: {fault}") for line, fault in zip(err, faults, strict=True)
    )


@pytest.mark.parametrize("lines, faults", BAD_JSON)
def test_bad_json_lines_are_told_and_nothing_is_stored(
    gym_url: str, lines: list[Any], faults: list[str]
) -> None:
    """All faults of every bad line, in order."""
    done = import_json(gym_url, lifter_line(), *lines)
    assert (done.code, done.out) == (2, "")
    assert told_are(done.err, faults), done.err
    assert rows(gym_url) == (0, 0, 0)


@pytest.mark.parametrize("lines, faults", BAD_CSV)
def test_bad_csv_rows_are_told_and_nothing_is_stored(
    gym_url: str, lines: list[str | bytes], faults: list[str]
) -> None:
    """The number is that of the first line of a row that goes over several."""
    done = import_csv(gym_url, *lines)
    assert (done.code, done.out) == (2, "")
    assert told_are(done.err, faults), done.err
    assert rows(gym_url) == (0, 0, 0)


def test_empty_file_of_json_lines_is_refused(gym_url: str) -> None:
    """An export that was cut to nothing does not pass for one."""
    assert import_json(gym_url, b"\n \n") == (2, "", ["effort: line 1: the file is empty"])


def test_bad_last_line_keeps_everything_out(database_url: str) -> None:
    """No lifter, no set, nothing known, on either database."""
    open_gym(database_url)
    many = [set_line(lifter_id=f"a{n}", reps=n % 100) for n in range(1500)]
    done = import_json(database_url, *many, set_line(lifter_id="a1", reps=-1))
    assert (done.code, len(done.err)) == (2, 1)
    assert done.err[0].startswith("effort: line 1501: reps: ")
    assert rows(database_url) == (0, 0, 0)


def test_set_stored_with_other_content_undoes_all(database_url: str) -> None:
    """Every such line is told; lifters, sets and profile stay as they were, those stored before it too."""
    open_gym(database_url)
    others = [msgspec.convert({**FULL, "set_id": str(UUID(int=n)), "reps": 9}, PerformedSet) for n in (1, 2)]

    async def fill(store: Store, tenant_id: UUID) -> None:
        await add(store, tenant_id, others, "b2")

    ask(database_url, fill)
    before = rows(database_url)
    lines = [
        set_line(lifter_id=lifter_id, set_id=str(UUID(int=n))) for lifter_id in ("b2", "a1") for n in (1, 2)
    ]
    done = import_json(database_url, *lines, lifter_line("b2", goal="strength"))
    assert (done.code, done.out) == (2, "")
    assert done.err == [
        f"effort: line {n}: set_id: {UUID(int=n)} of b2 is stored already with other content" for n in (1, 2)
    ]
    assert rows(database_url) == before
    assert sets_of(database_url, "b2") == others
    assert sets_of(database_url, LIFTER) == []


def test_at_most_100_faults_are_shown(gym_url: str) -> None:
    """Then how many more there are."""
    done = import_json(gym_url, *[set_line(lifter_id="a1", reps=-1, load_kg=-1)] * 75)
    assert (done.code, len(done.err)) == (2, 101)
    assert done.err[-2].startswith("effort: line 50: reps: ")
    assert done.err[-1] == "effort: ... and 50 more"


def test_what_a_file_says_does_not_play_with_the_terminal(gym_url: str) -> None:
    """Control characters of names and values come out as their code."""
    done = import_json(gym_url, {"type": "set\x9b2J", "\x1b[2J": 1}, set_line(**{"\x1b[2J\u202e": 1}))
    assert done.err[0].endswith('not "set\\u009b2J"')
    assert "line 2: \\u001b[2J\\u202e: unknown member" in done.err[1]


def test_unknown_tenant_is_named(gym_url: str, tmp_path: Path) -> None:
    """Before the file is looked at."""
    (tmp_path / "sets.csv").write_text("x")
    done = effort("import", str(tmp_path / "sets.csv"), "--tenant", "no-gym", url=gym_url)
    assert done == (2, "", ["effort: no tenant named no-gym; effort key create makes one"])
    strange = effort("import", str(tmp_path / "sets.csv"), "--tenant", "a\0b", url=gym_url)
    assert (strange.code, len(strange.err)) == (2, 1)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)
MEMBERS = (
    st.sampled_from(["type", "lifter_id", "cautions", "sets", *PerformedSet.__struct_fields__]) | st.text()
)
JSON_LINES = st.one_of(
    st.builds(
        lambda line, more: msgspec.json.encode({**line, **more}),
        st.sampled_from([lifter_line(), set_line(**FULL), set_line(), end_line(1)]),
        st.dictionaries(MEMBERS, VALUES, max_size=2),
    ),
    VALUES.map(msgspec.json.encode),
    st.binary(max_size=40),
)
CELLS = st.one_of(
    st.sampled_from([*COLUMNS, *ROW.split(","), '"', "\r", "\0", "1e5", "9" * 5000]),
    st.text(max_size=9),
    st.binary(max_size=5).map(lambda told: told.decode("latin-1")),
)
CSV_LINES = st.one_of(
    st.sampled_from([HEADER.encode(), ROW.encode()]),
    st.lists(CELLS, max_size=7).map(lambda cells: ",".join(cells).encode("utf-8", "surrogateescape")),
    st.binary(max_size=40),
)
FILES = st.tuples(st.just("jsonl"), st.lists(JSON_LINES, max_size=6)) | st.tuples(
    st.just("csv"), st.lists(CSV_LINES, max_size=5).map(lambda lines: [HEADER.encode(), *lines])
)


@given(FILES)
def test_any_file_is_taken_or_refused_by_line(file: tuple[Format, list[bytes]]) -> None:
    """Whatever a file holds, reading it raises nothing but the faults of its lines."""
    form, parts = file
    lines, places = b"\n".join(parts).splitlines(keepends=True), ["line 1"]
    try:
        gathered(READERS[form](lines, CHECKS))
    except InputRefused as refused:
        places = [fault.place for fault in refused.faults]
    assert all(place.startswith("line ") for place in places)


@pytest.mark.parametrize("form", ["jsonl", "csv"])
@settings(deadline=None)  # a whole command runs: its time tells of the machine
@given(content=st.binary(max_size=80) | st.text(max_size=80).map(lambda told: told.encode("utf-8", "ignore")))
def test_any_text_ends_with_2(gym_url: str, form: str, content: bytes) -> None:
    """No traceback, no other code, nothing on standard output, nothing stored."""
    done = effort("import", "-", "--tenant", GYM, "--format", form, url=gym_url, stdin=content)
    assert (done.code, done.out) == (2, "")
    assert done.err
    assert all(line.startswith("effort: ") for line in done.err)
