"""Recipes: pages whose commands and programs are run as they stand.

On a page, a block of `sh` is a command, run in the one shell of its page. A block of `text` after it is all it prints;
a block of `json` is part of what it prints. A block after a line that ends with a file's name in backticks and a
colon is that file. `sh install` is not run.
"""

import json
import os
import re
import signal
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "openapi" / "recipes"
PAGES = sorted(path for path in FOLDER.glob("*.md") if path.name != "README.md")
BLOCK = re.compile(r"(?:`([\w.-]+)`:\n\n)?^```(\w+)( install)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
END = "\x1e"  # told between commands; nothing prints it
PATIENCE_SECONDS = 240


@dataclass(frozen=True)
class Command:
    """A block of commands, and what is shown of its output: everything (`text`), a part (`json`), or nothing."""

    script: str
    kind: str = ""
    shown: str = ""


@dataclass(frozen=True)
class Recipe:
    """What a page has to run, and the files it wants saved before."""

    files: dict[str, str]
    commands: tuple[Command, ...]
    installs: tuple[str, ...]


def read_recipe(page: Path) -> Recipe:
    """Return the blocks of a page. Raises ValueError at a block that is neither command, file nor output."""
    files: dict[str, str] = {}
    commands: list[Command] = []
    installs: list[str] = []
    for name, kind, install, text in BLOCK.findall(page.read_text("utf-8")):
        if install:
            installs.append(text)
        elif name:
            if name in files:
                raise ValueError(f"{page.name} saves {name} twice")
            files[name] = text
        elif kind == "sh":
            commands.append(Command(text))
        elif kind in {"text", "json"} and commands and not commands[-1].kind:
            commands[-1] = Command(commands[-1].script, kind, text)
        else:
            raise ValueError(f"{page.name}: what is this block of {kind}? {text[:60]}")
    return Recipe(files, tuple(commands), tuple(installs))


def run_recipe(recipe: Recipe, folder: Path, environ: dict[str, str]) -> list[str]:
    """Return what each command printed, run in one shell in `folder`. Raises AssertionError when one fails."""
    for name, text in recipe.files.items():
        (folder / name).write_text(text, "utf-8")
    script = "set -euo pipefail\n" + "".join(f"{each.script}printf '{END}'\n" for each in recipe.commands)
    printed, complaints = folder / "printed", folder / "complaints"
    with printed.open("wb") as out, complaints.open("wb") as err:
        shell = subprocess.Popen(
            ["bash", "-c", script],
            cwd=folder,
            env={
                **os.environ,
                **environ,
                "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
            },
            stdout=out,
            stderr=err,
            start_new_session=True,
        )
        try:
            code = shell.wait(PATIENCE_SECONDS)
        finally:
            with suppress(ProcessLookupError):  # whatever a failed page left running
                os.killpg(shell.pid, signal.SIGTERM)
    outputs = printed.read_text("utf-8").split(END)
    assert code == 0, (
        f"exit code {code} in the command after {len(outputs) - 1}: {outputs[-1][-3000:]}\n"
        f"{complaints.read_text('utf-8')[-3000:]}"
    )
    return outputs[:-1]


def holds(shown: Any, answer: Any) -> bool:
    """Whether `answer` has what is shown of it: members may be left out, entries of lists may not."""
    if isinstance(shown, dict) and isinstance(answer, dict):
        return all(name in answer and holds(value, answer[name]) for name, value in shown.items())
    if isinstance(shown, list) and isinstance(answer, list):
        return len(shown) == len(answer) and all(map(holds, shown, answer))
    return bool(shown == answer)


def check_output(command: Command, printed: str) -> None:
    """Raise AssertionError unless the page shows what was printed."""
    if command.kind == "text":
        assert printed.strip() == command.shown.strip(), command.script
    elif command.kind == "json":
        answer = json.loads(printed)
        assert holds(json.loads(command.shown), answer), (
            f"{command.script}\n{json.dumps(answer, indent=2)[:3000]}"
        )
