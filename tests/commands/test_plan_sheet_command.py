"""`effort plan`, as a person or a script runs it: formats, options, every fault on a line of its own."""

import csv
import json
import subprocess
import sys
from io import StringIO
from pathlib import Path

import msgspec
import pytest

from service.cli.sheet_csv import csv_sheet
from service.cli.sheet_html import html_sheet
from service.cli.sheet_text import text_sheet
from tests.commands.imports import Done, effort
from tests.commands.plan_sheets import EXAMPLES, TEXTS, example, golden, golden_sheet, sheet

ROOT = Path(__file__).parents[2]
DAY = str(example("pressing-day"))
SMALL = {
    "sessions": [
        {
            "starts_at": "2027-01-04T18:00:00Z",
            "exercises": [{"exercise": "leg_press", "sets": [{"rep_target": 8}]}],
        }
    ]
}


def plan(*arguments: str, stdin: object = b"") -> Done:
    """Run `effort plan`; what is not bytes is sent as JSON."""
    sent = stdin if isinstance(stdin, bytes) else json.dumps(stdin).encode()
    return effort("plan", *arguments, url="sqlite:///unused.db", stdin=sent)


def places(done: Done) -> list[str]:
    """Return where each line on standard error points."""
    return [line.split(": ")[1] for line in done.err]


def test_text_is_printed_unless_another_format_is_asked_for() -> None:
    """The formats hold one and the same sheet."""
    told = golden_sheet("pressing-day")
    assert plan(DAY) == plan(DAY, "--format", "text") == Done(0, text_sheet(told, TEXTS), [])
    assert plan(DAY, "--format=html").out == html_sheet(told, TEXTS)
    assert plan(DAY, "--format=csv").out == csv_sheet(told)


def test_json_is_the_whole_answer_of_the_service() -> None:
    """With every prescription in full; what the golden answer says of the plan is the same."""
    said = plan(DAY, "--format=json").out
    _, answer = golden("pressing-day")
    assert said.encode() == msgspec.json.encode(answer)
    brief = json.loads((EXAMPLES / "createPlanPrescription.pressing-day.response.json").read_text("utf-8"))
    told = json.loads(said)
    assert {name: told[name] for name in brief if name != "sessions"} == {
        name: brief[name] for name in brief if name != "sessions"
    }
    assert told["sessions"][0]["exercises"][0]["sets"][0]["prescription"]["stop_cues"]


def test_a_pipe_gets_plain_text() -> None:
    """No colour code, whatever the surroundings ask for."""
    done = subprocess.run(
        [sys.executable, "-m", "service", "plan", DAY],
        cwd=ROOT,
        env={"PATH": "", "FORCE_COLOR": "1", "TERM": "xterm-256color"},
        capture_output=True,
        check=True,
    )
    assert b"\x1b" not in done.stdout
    assert done.stdout.decode() == text_sheet(golden_sheet("pressing-day"), TEXTS)


def test_a_plan_is_read_from_standard_input() -> None:
    """`-` as everywhere."""
    done = plan("-", stdin=SMALL)
    assert done.code == 0
    assert "Monday 4 January 2027, 18:00 (UTC)" in done.out


def test_loads_are_told_in_kg_with_a_one_rep_max() -> None:
    """For as many exercises as are told; one the plan does not hold does no harm."""
    done = plan(
        DAY,
        "--one-rep-max=barbell_bench_press=100",
        "--one-rep-max=machine_chest_press=82.5",
        "--one-rep-max=leg_press=200",
    )
    told = sheet(*golden("pressing-day"), barbell_bench_press=100, machine_chest_press=82.5)
    assert done.out == text_sheet(told, TEXTS)
    assert "77.5 kg (78 % of 1RM)" in done.out
    assert "60 kg (72 % of 1RM)" in done.out


def test_one_session_is_printed_alone() -> None:
    """Counted from 1."""
    done = plan(str(example("four-week-block")), "--session", "2")
    assert "SESSION 2 OF 4" in done.out
    assert done.out.count("SESSION ") == 1
    rows = csv.DictReader(StringIO(plan(str(example("four-week-block")), "--session=4", "--format=csv").out))
    assert {row["session"] for row in rows} == {"4"}


def test_the_text_fits_a_phone() -> None:
    """As narrow as asked for."""
    assert max(map(len, plan(DAY, "--width", "40").out.splitlines())) == 40


def test_five_mistakes_are_five_lines() -> None:
    """Those of the golden example, on standard error, with exit code 2 and nothing printed."""
    done = plan(str(EXAMPLES / "createPlanPrescription.five-mistakes.refused.json"))
    problem = json.loads((EXAMPLES / "createPlanPrescription.five-mistakes.problem.json").read_text("utf-8"))
    assert (done.code, done.out) == (2, "")
    assert done.err == [f"effort: {error['pointer']}: {error['detail']}" for error in problem["errors"]]
    assert len(done.err) == 5


def test_faults_that_types_cannot_see_are_told_of_a_plan_that_is_typed_right() -> None:
    """Unknown exercise, sessions out of order, a policy there is not."""
    session = SMALL["sessions"][0]
    other = {**session, "exercises": [{"exercise": "leg_pres", "sets": [{"rep_target": 8}]}]}
    done = plan("-", stdin={"sessions": [session, other], "policy": "2020-01-01"})
    assert (done.code, done.out) == (2, "")
    assert places(done) == ["#/policy", "#/sessions/1/starts_at", "#/sessions/1/exercises/0/exercise"]


def test_faults_of_plan_and_options_are_told_together() -> None:
    """Nobody has to try again for the next one."""
    wrong = ("leg_pres=100", "leg_press=0", "leg_press=nan", "leg_press=x", "leg_press", "leg_press=1e9")
    done = plan("-", *(f"--one-rep-max={each}" for each in wrong), stdin={"sessions": []})
    assert (done.code, done.out) == (2, "")
    assert places(done) == ["#/sessions", *(f"--one-rep-max {each}" for each in wrong)]
    assert "near matches: leg_press" in done.err[1]
    twice = plan("-", "--one-rep-max=leg_press=90", "--one-rep-max=leg_press=95", stdin=SMALL)
    assert (twice.code, places(twice)) == (2, ["--one-rep-max leg_press=95"])


@pytest.mark.parametrize("sent", [b"", b"{", b"\xff", b"[1]", b"\xef\xbb\xbf{}"])
def test_what_is_no_plan_is_one_line_and_exit_code_2(sent: bytes) -> None:
    """Nothing on standard output, no trace of the program."""
    done = plan("-", stdin=sent)
    assert (done.code, done.out, len(done.err)) == (2, "", 1)
    assert done.err[0].startswith("effort: ")


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    """One that is missing, and a folder."""
    for path in (tmp_path / "absent.json", tmp_path):
        done = plan(str(path))
        assert (done.code, done.out) == (2, "")
        assert str(path) in done.err[-1]


def test_a_session_that_is_not_there_is_refused() -> None:
    """With how many there are; and json is never cut."""
    done = plan(DAY, "--session", "2")
    assert (done.code, done.err) == (2, ["effort: --session: must be 1 to 1, the sessions of the plan"])
    assert plan(DAY, "--session", "0").code == 2
    whole = plan(DAY, "--session", "1", "--format", "json")
    assert (whole.code, whole.out) == (2, "")
    assert "leave out --session" in whole.err[-1]


def test_the_longest_plan_is_printed_whole() -> None:
    """60 sessions, 3,000 sets: each has its row."""
    names = (
        "leg_press",
        "machine_chest_press",
        "machine_seated_row",
        "leg_extension",
        "machine_lateral_raise",
    )
    exercises = [{"exercise": name, "sets": [{"rep_target": 12}] * 10} for name in names]
    sessions = [
        {"starts_at": f"2027-{1 + day // 28:02}-{1 + day % 28:02}T18:00:00+01:00", "exercises": exercises}
        for day in range(60)
    ]
    done = plan("-", "--format=csv", stdin={"sessions": sessions})
    assert done.code == 0, done.err
    rows = list(csv.DictReader(StringIO(done.out, newline="")))
    assert len({row["pointer"] for row in rows}) == len(rows) == 3000
    text = plan("-", stdin={"sessions": sessions}).out
    assert text.count("____ reps ____ left") == 3000
