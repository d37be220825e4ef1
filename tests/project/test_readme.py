"""The README's call gives the README's answer; its commands are the ones CI runs."""

import json
import re
from pathlib import Path

import msgspec

from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from service.rules.prescribe import prescribe_brief

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")


def test_the_worked_call_gives_the_printed_answer() -> None:
    """Nobody copies a stale answer."""
    sent = re.search(r"-d '(\{[^']+\})'\n```\n\n```json\n(.*?)\n```", README, re.DOTALL)
    assert sent is not None
    policies = load_policies()
    context = msgspec.json.decode(sent[1], type=SetContext)
    made = msgspec.json.encode(prescribe_brief(context, policies.newest))
    assert json.loads(made) == json.loads(sent[2])


def test_the_set_up_commands_are_one_line_each() -> None:
    """Two commands to copy: one runs the service, one passes the tests."""
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert [line.split("&&")[-1].strip() for line in lines] == [
        ".venv/bin/effort demo",
        ".venv/bin/python -m pytest -q",
    ]


def test_ci_takes_its_test_command_from_the_readme() -> None:
    """CI greps the line, so that it can never differ."""
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert "grep -m1 -- '-m pytest -q$' README.md" in script
