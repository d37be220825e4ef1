"""`effort prescribe`: for people in their language and width, for machines the API's own bytes."""

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import httpx
import pytest

from tests.commands.terminal import on_terminal
from tests.databases import fresh_database
from tests.serving import make_key, served

ROOT = Path(__file__).parents[2]
SENT = (
    b'{"rep_target": 1, "load_percent_1rm": 92.5, "later_overlapping_sets": 2.5, "cautions": ["pregnancy"]}'
)
COLOUR = re.compile(rb"\x1b\[[0-9;]*m")


def prescribe(*arguments: str, sent: bytes = SENT, **environ: str) -> bytes:
    """Return what is printed into a pipe."""
    command = [sys.executable, "-m", "service", "prescribe", "-", *arguments]
    env = {**os.environ, **environ}
    return subprocess.run(command, cwd=ROOT, input=sent, capture_output=True, check=True, env=env).stdout


def shown(environ: Mapping[str, str]) -> bytes:
    """Return what is printed on a terminal."""
    return on_terminal(["prescribe", "-"], {"COLUMNS": "90", **environ}, SENT)


@pytest.mark.parametrize("language", ["en", "de"])
async def test_json_is_the_answer_of_the_api_byte_for_byte(language: str) -> None:
    """With the flag, and into a pipe without it; in each language."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with served(url, token=key.token) as client:
            headers = {"content-type": "application/json", "accept-language": language}
            answer: httpx.Response = await client.post("/v1/prescriptions", content=SENT, headers=headers)
    assert answer.status_code == 200
    assert prescribe("--json", "--language", language) == answer.content
    if language == "en":
        assert prescribe() == answer.content


def test_text_is_plain_in_a_pipe_and_as_wide_as_it_may_be() -> None:
    """No colours, and no line over the width."""
    narrow, wide = (prescribe("--text", COLUMNS=columns).decode() for columns in ("50", "130"))
    assert "\x1b" not in narrow + wide
    assert max(map(len, narrow.splitlines())) <= 50
    assert 50 < max(map(len, wide.splitlines())) <= 130
    assert wide.startswith("3 reps in reserve (3 to 4, RPE 7)\n")


def test_colours_are_for_terminals_that_want_them() -> None:
    """NO_COLOR (no-color.org) and a terminal that has none."""
    assert re.search(rb"\x1b\[[0-9;]*3[0-9]m", shown({"TERM": "xterm-256color"}))
    for environ in ({"TERM": "xterm-256color", "NO_COLOR": "1"}, {"TERM": "dumb"}):
        assert not re.search(rb"\x1b\[[0-9;]*3[0-9]m", shown(environ))


def test_text_speaks_german() -> None:
    """Headings, reasons and numbers; factors keep their names."""
    told = " ".join(prescribe("--text", "--language", "de", COLUMNS="200").decode().split())
    assert re.match(
        r"[\d,]+ Wiederholung(en)? in Reserve \([\d,]+ bis [\d,]+, RPE [\d,]+\) Warnung: Schwangerschaft",
        told,
    )
    assert "noch 2,5 Sätze für dieselben Muskeln" in told
    assert "Nach 1 Wiederholung aufhören" in told
    assert "Grund Wirkung" in told
    assert "Angenommen: " in told
    assert not re.search(r"\d\.\d", told)


def test_cautions_come_first_and_a_load_that_cannot_hold_is_told() -> None:
    """Eight reps at 95 % would end at the second: nobody reads that out of a target and a table of reasons."""
    sent = b"""{"rep_target": 8, "load_percent_1rm": 95, "exercise": "leg_press",
        "cautions": ["age_65_or_over", "pregnancy"],
        "reporting_bias": {"mean_reps": -1, "sd_reps": 0.5}}"""
    told = prescribe("--text", sent=sent, COLUMNS="200").decode()
    places = [
        told.index(part) for part in ("warning: Pregnancy", "Too heavy for that", "reason ", "info: 65")
    ]
    assert places == sorted(places)
    assert re.search(r"about 3 reps to failure on average\. Better \d\d(\.\d)? % of 1RM\.", told)
    assert "whose count is off, that feels like 4 in reserve" in told
    light = prescribe(
        "--text", "--language", "de", sent=b'{"rep_target": 8, "load_percent_1rm": 60}', COLUMNS="200"
    )
    assert re.search(r"Dafür leicht: .* Besser \d+ Wiederholungen oder [\d,]+ % vom 1RM\.", light.decode())


@pytest.mark.parametrize("columns", ["0", "24", "36"])
def test_no_word_is_lost_on_a_narrow_terminal(columns: str) -> None:
    """A terminal of 0 columns does not know its width, and gets 80."""
    told = prescribe("--text", COLUMNS=columns).decode()
    assert "\N{HORIZONTAL ELLIPSIS}" not in told
    assert max(map(len, told.splitlines())) <= (int(columns) or 80)
    joined = re.sub(r"\s", "", told)
    assert joined.startswith("3repsinreserve(3to4,RPE7)")
    assert "info:Atrainingtarget,notmedicaladvice" in joined


def test_a_letter_the_output_has_not_is_a_question_mark() -> None:
    """A stack of calls helps nobody; the numbers are there."""
    told = prescribe("--text", "--language", "de", PYTHONIOENCODING="ascii")
    assert told.startswith(b"3 Wiederholungen in Reserve")
    assert b"?" in told


def test_rules_and_types_are_told_together() -> None:
    """As the API does: an unknown policy beside a number out of range."""
    sent = b'{"rep_target": 0, "policy": "2020-01-01", "set_order": 3, "sets_in_exercise": 2}'
    command = [sys.executable, "-m", "service", "prescribe", "-"]
    done = subprocess.run(command, cwd=ROOT, input=sent, capture_output=True, check=False)
    assert done.returncode == 2
    places = {line.split(b": ")[1] for line in done.stderr.splitlines()}
    assert places == {b"#/rep_target", b"#/policy", b"#/set_order"}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a disk that is always full, as Linux has one")
@pytest.mark.parametrize("form", ["--json", "--text"])
def test_output_that_cannot_be_written_is_told_in_one_line(form: str) -> None:
    """A full disk is no defect of the program."""
    command = [sys.executable, "-m", "service", "prescribe", "-", form]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, cwd=ROOT, input=SENT, stdout=full, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 1), done.stderr.decode()
    assert done.stderr.startswith(b"effort: [Errno 28]")
