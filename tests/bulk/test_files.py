"""Files in and out: every form, every row once, wrong files and folders told in words."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from service.bulk import sources
from service.bulk.manifest import held
from service.cli import effort
from service.errors import InputRefused
from tests.bulk.files import bulk, parts, read_parts, refused_lines, some_rows

ROWS = 700


def run(*arguments: object) -> Result:
    """Run the command in this process."""
    return CliRunner().invoke(effort, ["bulk", *map(str, arguments)])


def refusals(result: Result) -> dict[str, str]:
    """Return the faults the command was stopped by, by place."""
    assert isinstance(result.exception, InputRefused), result.output
    return {fault.place: fault.detail for fault in result.exception.faults}


def write(path: Path, table: pa.Table) -> None:
    """Write a table in the form its name tells, in several stretches."""
    if path.suffix == ".parquet":
        pq.write_table(table, path, row_group_size=150)
        return
    plain = pa.schema(
        [pa.field(f.name, f.type.value_type) if pa.types.is_dictionary(f.type) else f for f in table.schema]
    )
    begin = pa.ipc.new_file if path.suffix == ".arrow" else pa.ipc.new_stream
    with begin(str(path), plain) as writer:
        writer.write_table(table.cast(plain), max_chunksize=150)


@pytest.fixture(autouse=True)
def small_units(monkeypatch: pytest.MonkeyPatch) -> None:
    """Several units and several batches of a small file."""
    monkeypatch.setattr(sources, "UNIT_ROWS", 300)
    monkeypatch.setattr(sources, "BATCH_ROWS", 100)


@pytest.mark.parametrize("form", ["parquet", "arrow", "arrows"])
def test_every_form_gives_every_row_once(tmp_path: Path, form: str) -> None:
    """Answered and refused rows together are all rows, in order, with what is carried; all forms answer alike."""
    table = some_rows(ROWS)
    write(tmp_path / f"in.{form}", table)
    write(tmp_path / "in.parquet", table)
    result = run(tmp_path / f"in.{form}", tmp_path / "out", "--json")
    assert result.exit_code == 1, result.output
    summary = json.loads(result.stdout)
    found, refused = read_parts(tmp_path / "out"), refused_lines(tmp_path / "out")
    rows = found.column("row").to_pylist()
    assert sorted([*rows, *(line["row"] for line in refused)]) == list(range(ROWS))
    assert rows == sorted(rows)
    assert found.column("lifter").to_pylist() == [f"lifter-{row} é" for row in rows]
    assert [line["carried"] for line in refused] == [
        {"lifter": f"lifter-{line['row']} é"} for line in refused
    ]
    assert (summary["answered"], summary["refused"], summary["units"]) == (len(rows), len(refused), 3)
    assert summary["withheld"] == found.column("decision").to_pylist().count("withhold")
    assert {path.suffix for path in parts(tmp_path / "out")} == {f".{form}"}
    if form != "parquet":
        run(tmp_path / "in.parquet", tmp_path / "other")
        assert read_parts(tmp_path / "other").equals(found)


def test_the_effects_of_each_row_add_up_to_its_target(tmp_path: Path) -> None:
    """The ledger is whole: the columns of effects of a row with a target have it as their sum."""
    write(tmp_path / "in.parquet", some_rows(ROWS))
    run(tmp_path / "in.parquet", tmp_path / "out")
    rows = read_parts(tmp_path / "out").to_pylist()
    told = [row for row in rows if row["decision"] == "prescribe"]
    assert told
    for row in told:
        assert sum(value for name, value in row.items() if name.startswith("effect_reps_")) == row["target"]


def test_parts_may_have_another_form_than_the_input(tmp_path: Path) -> None:
    """Parquet in and Arrow out give the same rows."""
    write(tmp_path / "in.parquet", some_rows(ROWS))
    run(tmp_path / "in.parquet", tmp_path / "a")
    run(tmp_path / "in.parquet", tmp_path / "b", "--format", "arrow")
    assert read_parts(tmp_path / "b").equals(read_parts(tmp_path / "a"))
    assert parts(tmp_path / "b")[0].suffix == ".arrow"


@pytest.mark.parametrize("form", ["parquet", "arrow", "arrows"])
def test_a_file_without_rows_gives_a_part_without_rows(tmp_path: Path, form: str) -> None:
    """Who reads the folder finds the columns, and none of the rows."""
    write(tmp_path / f"in.{form}", some_rows(ROWS).slice(0, 0))
    result = run(tmp_path / f"in.{form}", tmp_path / "out")
    assert result.exit_code == 0, result.output
    found = read_parts(tmp_path / "out")
    assert len(found) == 0
    assert {"row", "lifter", "target", "effect_reps_base"} <= set(found.schema.names)


def test_every_column_that_will_not_do_is_told_at_once(tmp_path: Path) -> None:
    """Wrong types, slips of names, names of the answer, unknown members of structs: all in one go."""
    wrong = pa.table(
        {
            "load_percent_1rm": ["heavy"],
            "Rep Target": [8],
            "exercise": [8],
            "deload": ["yes"],
            "cautions": ["pregnancy"],
            "target": [1.0],
            "exercise_traits": [{"joint": "multi"}],
            "goals": ["strength"],
            "club": ["north"],
        }
    )
    pq.write_table(wrong, tmp_path / "in.parquet")
    told = refusals(run(tmp_path / "in.parquet", tmp_path / "out"))
    assert told["rep_target"] == "is required"
    assert told["load_percent_1rm"] == "must hold numbers, not string"
    assert told["exercise"] == "must hold text, not int64"
    assert told["deload"] == "must hold true or false, not string"
    assert told["cautions"] == "must hold lists of text, not string"
    assert "did you mean rep_target?" in told["Rep Target"]
    assert "did you mean goal?" in told["goals"]
    assert told["target"] == "is the name of an answer's column; rename it"
    assert told["exercise_traits.joint"].startswith("unknown member; known: joints")
    assert "club" not in told
    assert not (tmp_path / "out").exists()


def test_a_column_that_looks_like_a_slip_is_carried_when_it_is_named(tmp_path: Path) -> None:
    """`--keep` is how to say that a name is meant."""
    table = pa.table({"rep_target": [8], "goals": ["none"]})
    pq.write_table(table, tmp_path / "in.parquet")
    assert run(tmp_path / "in.parquet", tmp_path / "out", "--keep", "goals").exit_code == 0
    assert read_parts(tmp_path / "out").column("goals").to_pylist() == ["none"]
    assert refusals(run(tmp_path / "in.parquet", tmp_path / "out", "--keep", "nothing")) == {
        "nothing": "is not a column of the file",
        "goals": "is no member; did you mean goal? Carry it through with --keep goals",
    }


@pytest.mark.parametrize("content", [b"", b"rep_target\n8\n", b"PAR1", b"ARROW1\0\0"])
def test_a_file_of_another_kind_is_refused_in_words(tmp_path: Path, content: bytes) -> None:
    """Neither a stack of calls nor an answer."""
    (tmp_path / "in").write_bytes(content)
    (told,) = refusals(run(tmp_path / "in", tmp_path / "out")).values()
    assert told.startswith("is no Parquet or Arrow file that can be read: ")


def _changed_rows(tmp_path: Path) -> list[object]:
    write(tmp_path / "in.parquet", some_rows(ROWS, seed=2))
    return []


CHANGES: dict[str, Any] = {
    "input": _changed_rows,
    "policy": lambda _: ["--policy-version", "2026-11-25"],
    "texts": lambda _: ["--texts"],
    "format": lambda _: ["--format", "arrows"],
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_folder_is_not_gone_on_with_by_another_run(tmp_path: Path, what: str) -> None:
    """Another input, policy or option would mix two runs: refused, and what stands there stays."""
    write(tmp_path / "in.parquet", some_rows(ROWS))
    run(tmp_path / "in.parquet", tmp_path / "out")
    before = {path: path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()}
    options = CHANGES[what](tmp_path)
    (told,) = refusals(run(tmp_path / "in.parquet", tmp_path / "out", *options)).values()
    assert told.startswith(f"holds a run with {what} ")
    assert "name a new folder, or delete this one" in told
    assert before == {path: path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()}


def test_a_run_that_is_whole_is_not_done_again(tmp_path: Path) -> None:
    """The same command again does nothing, and says how the folder stands."""
    write(tmp_path / "in.parquet", some_rows(ROWS))
    first = json.loads(run(tmp_path / "in.parquet", tmp_path / "out", "--json").stdout)
    times = {path: path.stat().st_mtime_ns for path in parts(tmp_path / "out")}
    again = json.loads(run(tmp_path / "in.parquet", tmp_path / "out", "--json").stdout)
    assert (again["here"], again["answered"], again["refused"]) == (0, first["answered"], first["refused"])
    assert times == {path: path.stat().st_mtime_ns for path in parts(tmp_path / "out")}


def test_a_folder_with_other_files_is_left_alone(tmp_path: Path) -> None:
    """Nothing is put beside what somebody else keeps there; a file is no folder."""
    write(tmp_path / "in.parquet", some_rows(ROWS))
    (told,) = refusals(run(tmp_path / "in.parquet", tmp_path)).values()
    assert told == "holds other files (in.parquet); name a new folder"
    (told,) = refusals(run(tmp_path / "in.parquet", tmp_path / "in.parquet")).values()
    assert told == "is a file; name a folder"


def test_two_runs_do_not_write_to_one_folder(tmp_path: Path) -> None:
    """While one holds the folder another, in a process of its own, is refused."""
    write(tmp_path / "in.parquet", some_rows(ROWS))
    with held(tmp_path / "out"):
        ended = bulk(tmp_path / "in.parquet", tmp_path / "out")
    assert (ended.code, ended.out) == (2, "")
    assert ended.err == f"effort: {tmp_path / 'out'}: another run writes here; wait for its end\n"


def test_without_the_extra_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service installed without NumPy and Arrow serves on, and this command says how to get them."""
    (tmp_path / "in.parquet").write_bytes(b"")
    monkeypatch.setattr("service.cli.bulk.find_spec", lambda name: None if name == "pyarrow" else object())
    result = run(tmp_path / "in.parquet", tmp_path / "out")
    assert result.exit_code == 1
    assert "bulk needs pyarrow: pip install 'effort-prescription[bulk]' installs it" in result.output


@pytest.mark.parametrize(
    "options", [["--site", "north"], ["--session", "1"], ["--from-history", "--keep", "a"]]
)
def test_options_that_do_not_go_together_are_told(tmp_path: Path, options: list[str]) -> None:
    """A misuse of the command is told before anything is read."""
    (tmp_path / "in.parquet").write_bytes(b"")
    result = run(tmp_path / "in.parquet", tmp_path / "out", *options)
    assert result.exit_code == 2
    assert "with --from-history" in result.output


def test_serving_imports_nothing_of_it() -> None:
    """Columns and clusters cost a serving process neither time nor memory."""
    heavy = "numpy pyarrow dask distributed service.bulk"
    code = f"import sys, service.app, service.cli.serve; print([n for n in '{heavy}'.split() if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_the_example_of_the_readme_answers_what_stands_there(tmp_path: Path) -> None:
    """Its commands, run as they stand but for the installing, print its rows."""
    told = (Path(__file__).parents[2] / "README.md").read_text("utf-8").split("## A whole population")[1]
    commands, printed = told.split("```sh\n")[1].split("```")[0], told.split("\n```\n")[2].split("\n```")[0]
    script = commands.partition("\n")[2].replace(".venv/bin/effort", "$PYTHON -W error -m service")
    done = subprocess.run(
        ["bash", "-ec", script.replace(".venv/bin/python", "$PYTHON")],
        cwd=tmp_path,
        env={**os.environ, "PYTHON": sys.executable},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout.strip()) == (0, printed.strip()), done.stderr


def test_nested_texts_may_be_dictionaries_and_a_file_may_be_cut(tmp_path: Path) -> None:
    """Lists of dictionaries are read across row groups; a file that ends too early is told, and nothing is noted."""
    told = pa.array(
        [["pregnancy"], None, ["under_18", "pregnancy"]] * 200, pa.list_(pa.dictionary(pa.int8(), "str"))
    )
    pq.write_table(
        pa.table({"rep_target": [8] * 600, "cautions": told}), tmp_path / "in.parquet", row_group_size=70
    )
    assert run(tmp_path / "in.parquet", tmp_path / "out").exit_code == 0
    cautions = read_parts(tmp_path / "out").column("cautions").to_pylist()
    assert cautions[:3] == ["pregnancy general_limits", "general_limits", "under_18 pregnancy general_limits"]
    broken = bytearray((tmp_path / "in.parquet").read_bytes())
    broken[200:1500] = bytes(1300)
    (tmp_path / "broken.parquet").write_bytes(broken)
    (fault,) = refusals(run(tmp_path / "broken.parquet", tmp_path / "other")).values()
    assert fault.startswith("cannot be read to its end: ")
    assert not list((tmp_path / "other" / "_done").iterdir())
