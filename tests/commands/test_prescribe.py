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
        r"[\d,]+ Wiederholung(en)? in Reserve \([\d,]+ bis [\d,]+, RPE [\d,]+\) Grund Wirkung", told
    )
    assert "noch 2,5 Sätze für dieselben Muskeln" in told
    assert "Nach 1 Wiederholung aufhören" in told
    assert "Warnung: Schwangerschaft" in told
    assert "Angenommen: " in told
    assert not re.search(r"\d\.\d", told)
