"""The README's call gives the README's answer; its commands are the ones CI runs."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec

from service.policy.catalogue import load_policies
from service.policy.plan_basis import load_plan_basis
from service.rules.context import SetContext
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import stateless_start
from service.rules.prescribe import prescribe_brief
from tests.serving import make_key, served

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


def without_nulls(members: dict[str, Any]) -> dict[str, Any]:
    """Return the members that say something."""
    return {name: value for name, value in members.items() if value is not None}


async def test_the_loop_closes_as_printed(database_url: str) -> None:
    """Sets posted, next set asked for: the members the README shows are those of the answer."""
    loop = README.split("## Close the loop")[1].split("\n## ")[0]
    calls = re.findall(r"8080(/v1/\S+)'.*?-d '(\{.*?\})'\n```", loop, re.DOTALL)
    printed = re.search(r"```json\n(.*?)\n```", loop, re.DOTALL)
    assert printed is not None
    key = await make_key(database_url, "prescribe", "history:read", "history:write")
    async with served(database_url, token=key.token) as client:
        posted, asked = [await client.post(path, json=json.loads(body)) for path, body in calls]
        assert (posted.status_code, asked.status_code) == (201, 200), (posted.text, asked.text)
        answered = asked.json()
        again = await client.post("/v1/prescriptions", json=answered["context_used"])
    shown = json.loads(printed[1])
    answered["context_used"] = without_nulls(answered["context_used"])
    assert {name: answered[name] for name in shown} == shown
    assert again.json()["reasons"] == answered["reasons"]


def test_the_plan_costs_what_is_printed() -> None:
    """The plan of the README: totals, who pays for whom and the first warning are those of the answer."""
    told = README.split("## A whole plan")[1]
    sent = re.search(r"-d '(\{.*?\})'\n```\n", told, re.DOTALL)
    printed = re.search(r"```json\n(.*?)\n```", told, re.DOTALL)
    assert sent is not None
    assert printed is not None
    plan = msgspec.json.decode(sent[1], type=Plan)
    basis = load_plan_basis(load_policies().newest)
    answer = json.loads(msgspec.json.encode(prescribe_plan(plan, stateless_start(plan), basis, "brief")))
    shown = json.loads(printed[1])
    assert {name: answer["carryover"][name] for name in shown["carryover"]} == shown["carryover"]
    assert answer["warnings"][0] == shown["warnings"][0]
    assert shown["carryover"]["as_proposed"]["total_reps"] < shown["carryover"]["as_prescribed"]["total_reps"]


def test_the_sheet_prints_what_is_shown() -> None:
    """The command of the README prints the part of the sheet that stands there."""
    shown = re.search(
        r"^\.venv/bin/effort (plan .*)\n```\n\n```\n(.*?)\n```", README, re.MULTILINE | re.DOTALL
    )
    assert shown is not None
    command = [sys.executable, "-m", "service", *shown[1].split()]
    printed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert shown[2] in printed


def test_the_set_up_commands_are_one_line_each() -> None:
    """Two commands to copy: one runs the service, one passes the tests."""
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert [line.split("&&")[-1].strip() for line in lines] == [
        ".venv/bin/effort demo",
        ".venv/bin/python -m pytest -q -n auto --maxprocesses 4 --dist loadfile",
    ]


def test_ci_takes_its_test_command_from_the_readme() -> None:
    """CI greps the line, so that it can never differ."""
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert "grep -m1 -- '-m pytest -q ' README.md" in script
