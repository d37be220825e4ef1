"""Two independent linters find nothing in the document, and do find what is planted."""

import json
from pathlib import Path
from typing import Any

import pytest

from service.api.document import DOCUMENT_PATH
from tests.clients.node_tools import run_offline

HERE = Path(__file__).parent
REACHED_OUT = 86
LINTERS = ("redocly", "spectral")


def findings(linter: str, document: Path, cwd: Path) -> list[str]:
    """Return the rule of each finding, of any severity."""
    options = {
        "redocly": ("--config", str(HERE / "redocly.yaml"), "--format", "json"),
        "spectral": ("--ruleset", str(HERE / "spectral.yaml"), "--format", "json", "--quiet"),
    }[linter]
    done = run_offline(linter, "lint", str(document), *options, cwd=cwd)
    assert done.returncode in {0, 1}, done.stdout + done.stderr
    found = json.loads(done.stdout)
    return (
        [each["ruleId"] for each in found["problems"]]
        if linter == "redocly"
        else [each["code"] for each in found]
    )


@pytest.mark.parametrize("linter", LINTERS)
def test_a_linter_finds_nothing(linter: str, tmp_path: Path) -> None:
    """No error, no warning, no hint; and nothing leaves this machine."""
    assert findings(linter, DOCUMENT_PATH, tmp_path) == []


PLANTED: dict[str, tuple[Any, str]] = {
    "redocly": ({"security": [{"unheard-of": []}]}, "security-defined"),
    "spectral": (
        {"parameters": [{"name": "a", "in": "query", "schema": {"type": "integer"}}] * 2},
        "operation-parameters",
    ),
}


@pytest.mark.parametrize("linter", LINTERS)
def test_a_linter_finds_what_is_planted(linter: str, tmp_path: Path) -> None:
    """It reads the rules it was given."""
    members, rule = PLANTED[linter]
    document = json.loads(DOCUMENT_PATH.read_text("utf-8"))
    live = document["paths"]["/health/live"]
    live["get"] |= members
    spoilt = tmp_path / "openapi.json"
    spoilt.write_text(json.dumps({**document, "paths": {"/health/live": live}}), "utf-8")
    assert rule in findings(linter, spoilt, tmp_path)


def test_a_program_that_reaches_for_the_network_is_ended(tmp_path: Path) -> None:
    """So the linters did not."""
    program = tmp_path / "call.cjs"
    program.write_text('fetch("http://127.0.0.1:18080/").catch(() => {});\n', "utf-8")
    assert run_offline("node", str(program), cwd=tmp_path).returncode == REACHED_OUT
