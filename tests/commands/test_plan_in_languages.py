"""`effort plan` in other languages, on terminals, and as the API's own bytes."""

import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from service.cli.sheet_texts import TEXTS, SheetTexts, sheet_texts
from service.cli.words import words
from service.errors import PolicyBroken
from service.policy.languages import ENGLISH, language_codes
from service.policy.translation import load_language
from tests.commands.plan_sheets import example
from tests.commands.terminal import on_terminal
from tests.databases import fresh_database
from tests.serving import make_key, served

ROOT = Path(__file__).parents[2]
OTHERS = [code for code in language_codes() if code != ENGLISH]
WORD = re.compile(r"[^\W\d_]{4,}")
# Words of both languages (`Last` is a load).
SHARED = {"deload", "latissimus", "last", "plan", "plans", "reserve", "tempo", "training"}
# One with loads, warnings and proposals; one with weeks, limits and a deload.
TOLD = ("pressing-day", "four-week-block")


@cache
def plan(name: str, *arguments: str, **environ: str) -> str:
    """Return what `effort plan` prints into a pipe."""
    command = [sys.executable, "-m", "service", "plan", str(example(name)), *arguments]
    env = {**os.environ, **environ}
    return subprocess.run(command, cwd=ROOT, capture_output=True, check=True, env=env).stdout.decode()


def shown(name: str, **environ: str) -> str:
    """Return what it prints on a terminal."""
    return on_terminal(["plan", str(example(name))], environ).decode().replace("\r\n", "\n")


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("name", TOLD)
def test_a_sheet_holds_no_word_of_english(code: str, name: str) -> None:
    """Dates, numbers, names, warnings and blanks too; the numbers are those of the English sheet."""
    english, other = plan(name), plan(name, "--language", code)
    told = re.sub(r"sha256:\w+|UTC\S*", "", other)
    assert set(WORD.findall(told.lower())) & set(WORD.findall(english.lower())) <= SHARED
    assert other.count("____") == english.count("____")


def test_a_german_sheet_is_german() -> None:
    """Word for word where it matters at the bar; HTML says which language it is in."""
    told = " ".join(
        plan("pressing-day", "--language", "de", "--one-rep-max", "barbell_bench_press=100").split()
    )
    for part in (
        "EINHEIT 1 VON 1 Montag, 4. Januar 2027, 18:00 Uhr (UTC+01:00)",
        "Satz 1: 8 Wiederholungen, 77,5 kg (78 % vom 1RM), Pause 3 min",
        "2,5 Wiederholungen in Reserve lassen (2 bis 3), RPE 7,5 (7 bis 8)",
        "Für alle 8 Wiederholungen 75 kg (74,6 % vom 1RM) nehmen.",
        "Getan ____ Wdh. ____ übrig",
    ):
        assert part in told
    assert '<html lang="de">' in plan("pressing-day", "--language", "de", "--format", "html")


async def test_json_is_the_answer_of_the_api_byte_for_byte() -> None:
    """In German here; --json and --format json are one."""
    with fresh_database("sqlite") as url:
        key = await make_key(url)
        async with served(url, token=key.token) as client:
            headers = {"content-type": "application/json", "accept-language": "de"}
            content = example("pressing-day").read_bytes()
            answer = await client.post("/v1/plan-prescriptions", content=content, headers=headers)
    assert answer.status_code == 200
    assert plan("pressing-day", "--json", "--language", "de").encode() == answer.content
    assert plan("pressing-day", "--format", "json", "--language", "de").encode() == answer.content


def test_a_terminal_gets_colours_and_its_own_width_but_the_same_lines() -> None:
    """No colour with NO_COLOR (no-color.org); the words are those of a pipe of that width."""
    terminal = {"TERM": "xterm-256color", "COLUMNS": "60"}
    coloured = shown("pressing-day", **terminal)
    plain = plan("pressing-day", "--width", "60")
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain
    assert not re.search(r"\x1b\[[0-9;]*3[0-9]m", shown("pressing-day", NO_COLOR="1", **terminal))
    assert plan("pressing-day", COLUMNS="60") == plain


def test_a_language_whose_commands_lack_a_text_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody gets half a sheet: missing, too few levels, other values, other forms."""
    whole = load_language("de").commands["sheet_texts"]
    for wrong in (
        {**whole, "feel": whole["feel"][1:]},
        {**whole, "leave": "{target:g} lassen {more}"},
        {**whole, "leave": "{target:g} {target:other=Wiederholungen} lassen"},
        {**whole, "severities": {"info": "Hinweis"}},
        {name: text for name, text in whole.items() if name != "rest"},
    ):
        words.cache_clear()
        monkeypatch.setitem(load_language("de").commands, "sheet_texts", wrong)
        with pytest.raises(PolicyBroken, match="sheet_texts"):
            words(TEXTS, SheetTexts, "de")
    monkeypatch.undo()
    words.cache_clear()
    assert sheet_texts("de").or_ == " oder "
