"""What the recipes say is what happens: commands, generated clients in two languages, answers as printed."""

import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from packaging.requirements import Requirement

from service.api.document import DOCUMENT_PATH
from tests.clients.node_tools import HERE, node_tools
from tests.clients.recipes import FOLDER, PAGES, ROOT, Recipe, check_output, holds, read_recipe, run_recipe
from tests.clients.rough_road import rough_road
from tests.ports import free_port

CLIENTS = FOLDER / "generated-clients.md"
OTHERS = [page for page in PAGES if page != CLIENTS]
# What the Python generator leaves out, and says so; JSON is there beside the first.
LEFT_OUT = {"application/vnd.msgpack", "application/x-ndjson"}

STRICT = (
    "--strict",
    "--cache-dir",
    os.devnull,
    "--disable-error-code",
    "import-untyped",
)  # pyarrow ships no types


@contextmanager
def demo(folder: Path) -> Iterator[dict[str, str]]:
    """Yield the environment of someone who has `effort demo` running."""
    port = free_port()
    told = folder / "demo.txt"
    with told.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-u", "-m", "service", "demo", "--port", str(port)], cwd=ROOT, stdout=out
        )
    try:
        address = f"http://127.0.0.1:{port}"
        ready = [
            "curl",
            "-s",
            "--retry",
            "120",
            "--retry-delay",
            "1",
            "--retry-connrefused",
            f"{address}/health/ready",
        ]
        subprocess.run(ready, check=True, stdout=subprocess.DEVNULL)
        key = re.search(r"^API key: (\S+)$", told.read_text("utf-8"), re.MULTILINE)
        assert key is not None
        yield {"BASE": address, "KEY": key[1], "CLONE": str(ROOT)}
    finally:
        process.terminate()
        process.wait(60)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A live service with the invented gym, for all recipes that start none of their own."""
    with demo(tmp_path_factory.mktemp("demo")) as environ:
        yield environ


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, service: dict[str, str]) -> Path:
    """Where an integrator works: both clients generated, as their recipe says."""
    made = tmp_path_factory.mktemp("integration")
    (made / "node_modules").symlink_to(node_tools() / "node_modules")
    (made / "package.json").write_text('{"type": "module"}\n', "utf-8")
    assert passed(CLIENTS, made, service)
    return made


def passed(page: Path, folder: Path, service: dict[str, str]) -> Recipe:
    """Run a page, compare all it shows, and return it."""
    recipe = read_recipe(page)
    # A page that starts a service has a port of its own.
    outputs = run_recipe(recipe, folder, {**service, "EFFORT_PORT": str(free_port())})
    for command, printed in zip(recipe.commands, outputs, strict=True):
        check_output(command, printed)
    return recipe


@pytest.mark.parametrize("page", OTHERS, ids=lambda page: page.stem)
def test_a_recipe_does_what_it_says(page: Path, folder: Path, service: dict[str, str]) -> None:
    """Its commands succeed, and print what it shows."""
    assert passed(page, folder, service).commands


def test_the_client_is_generated_whole_from_the_committed_document(folder: Path) -> None:
    """The served document is the committed one; nothing is left out of the Python client but other media types."""
    assert (folder / "openapi.json").read_bytes() == DOCUMENT_PATH.read_bytes()
    told = (folder / "generated.txt").read_text("utf-8")
    assert set(re.findall(r"[Uu]nsupported content.type (\S+?)[),]*$", told, re.MULTILINE)) <= LEFT_OUT
    assert len(re.findall(r"WARNING parsing|ERROR", told)) == len(
        re.findall(r"[Uu]nsupported content.type", told)
    )
    document = json.loads(DOCUMENT_PATH.read_text("utf-8"))
    wanted = {
        re.sub(r"(?<!^)(?=[A-Z])", "_", operation["operationId"]).lower()
        for item in document["paths"].values()
        for operation in item.values()
    }
    assert {path.stem for path in (folder / "effort_client" / "api").glob("*/*.py")} - {"__init__"} == wanted


def test_python_programs_and_client_pass_strict_types(folder: Path) -> None:
    """Of all recipes, with the generated client."""
    for page in PAGES:
        for name, text in read_recipe(page).files.items():
            (folder / name).write_text(text, "utf-8")
    programs = [path.name for path in folder.glob("*.py")]
    assert len(programs) > len(OTHERS) / 2
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *STRICT, "effort_client", *programs],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:]


def test_a_wrong_request_does_not_compile(folder: Path) -> None:
    """The types are those of the document: no other exercise, no text for a number, nothing unknown or missing."""
    program = """
import createClient from "openapi-fetch";
import type { components, paths } from "./effort.js";
const client = createClient<paths, "application/json">({ baseUrl: "http://127.0.0.1" });
await client.POST("/v1/prescriptions", { body: { rep_target: 8, exercise: "tea" } });
await client.POST("/v1/prescriptions", { body: { rep_target: "8" } });
const unknown: components["schemas"]["SetContext"] = { rep_target: 8, tempo: 2 };
await client.POST("/v1/prescriptions", { body: {} });
export const first = (problem: components["schemas"]["Problem"]) => problem.errors[0];
"""
    (folder / "wrong.ts").write_text(program, "utf-8")
    try:
        done = subprocess.run(
            ["npx", "tsc", "--noEmit"], cwd=folder, capture_output=True, text=True, check=False
        )
    finally:
        (folder / "wrong.ts").unlink()
    assert re.findall(r"^wrong\.ts\((\d+),", done.stdout, re.MULTILINE) == ["5", "6", "7", "8", "9"], (
        done.stdout
    )


@pytest.mark.parametrize(
    "command", [(sys.executable, "retrying.py"), ("node", "build/retrying.js")], ids=["python", "ts"]
)
def test_patient_clients_get_through_on_a_rough_road(
    command: tuple[str, ...], folder: Path, service: dict[str, str]
) -> None:
    """Refused, refused again, done without an answer: then answered as the page shows, and stored once."""
    page = read_recipe(FOLDER / "errors-and-retries.md")
    for name, text in page.files.items():
        (folder / name).write_text(text, "utf-8")
    if command[0] == "node":
        subprocess.run(["npx", "tsc"], cwd=folder, check=True)
    shown = next(each for each in page.commands if command[-1] in each.script)
    with rough_road(service["BASE"]) as (address, tries):
        done = subprocess.run(
            command,
            cwd=folder,
            env={**os.environ, **service, "BASE": address},
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    check_output(shown, done.stdout)
    assert set(tries.values()) == {4, 5}  # sets are sent once more, and answered at once


@pytest.mark.parametrize(
    ("method", "path", "headers", "status", "again"),
    [
        ("POST", "/v1/prescriptions", {}, 503, True),
        ("POST", "/v1/lifters/a/sets", {}, 429, True),
        ("POST", "/v1/lifters/a/sets", {}, 503, False),
        ("POST", "/v1/lifters/a/sets", {}, 408, False),
        ("POST", "/v1/lifters/a/sets", {"Idempotency-Key": "a-1"}, 503, True),
        ("GET", "/v1/lifters/a/sets", {}, 503, True),
        ("GET", "/v1/keys", {}, 502, True),
        ("POST", "/v1/keys", {"Idempotency-Key": "a-1"}, 503, False),
        ("POST", "/v1/keys/k/rotations", {}, 503, False),
        ("DELETE", "/v1/keys/k", {}, 503, True),
        ("POST", "/v1/lifters/a/sets", {}, 409, False),
        ("PUT", "/v1/lifters/a", {}, 422, False),
    ],
)
def test_what_may_have_been_stored_is_sent_again_only_where_that_stores_nothing_twice(
    method: str, path: str, headers: dict[str, str], status: int, *, again: bool
) -> None:
    """A 503 may hide a commit; keys are made anew each time. The other program has the same lists."""
    files = read_recipe(FOLDER / "errors-and-retries.md").files
    program: dict[str, Any] = {}
    exec(files["patient.py"], program)  # noqa: S102 - our own page
    request = httpx.Request(method, f"http://127.0.0.1{path}", headers=headers)
    assert program["asks_again"](request, httpx.Response(status)) is again
    for name in ("NOTHING_DONE", "PERHAPS_DONE"):
        (told,) = re.findall(rf"{name} = new Set\(\[([\d, ]+)\]\)", files["patient.ts"])
        assert {int(each) for each in told.split(",")} == program[name]


def test_a_patient_client_sends_again_what_the_document_lets_it() -> None:
    """With a key in the header: everything but a POST that stores and does not take that key."""
    program: dict[str, Any] = {}
    exec(read_recipe(FOLDER / "errors-and-retries.md").files["patient.py"], program)  # noqa: S102 - our own page
    document = json.loads(DOCUMENT_PATH.read_text("utf-8"))
    stored = {"history:write", "admin"}
    found, wanted = {}, {}
    for path, item in document["paths"].items():
        for method, operation in item.items():
            takes_key = any(each["name"] == "idempotency-key" for each in operation.get("parameters", ()))
            scopes = {scope for rule in operation["security"] for held in rule.values() for scope in held}
            stores = method == "post" and bool(scopes & stored)
            for headers in ({}, {"Idempotency-Key": "k"}):
                request = httpx.Request(method.upper(), f"http://127.0.0.1{path}", headers=headers)
                asked = (operation["operationId"], bool(headers))
                found[asked] = program["harmless_twice"](request)
                wanted[asked] = not stores or (takes_key and bool(headers))
    assert found == wanted
    assert not all(wanted.values())


def test_recipes_install_the_versions_that_are_tested() -> None:
    """Of the lock of Node's programs, and of the extra `dev`."""
    pinned = json.loads((HERE / "package.json").read_text("utf-8"))["devDependencies"]
    extra = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"][
        "dev"
    ]
    told = "\n".join(text for page in PAGES for text in read_recipe(page).installs)
    by_npm = dict(re.findall(r" (@?[\w/-]+)@(\d\S*)", told))
    assert by_npm
    assert by_npm.items() <= pinned.items()
    by_pip = dict(re.findall(r"([\w-]+)==([\d.]+)", told))
    assert by_pip
    allowed = {requirement.name: requirement.specifier for requirement in map(Requirement, extra)}
    assert [name for name, version in by_pip.items() if version not in allowed[name]] == []


def test_the_lock_names_no_registry() -> None:
    """It says what is installed, not from where; and every package has its hash."""
    lock = json.loads((HERE / "package-lock.json").read_text("utf-8"))
    packages = {name: entry for name, entry in lock["packages"].items() if name}
    assert packages
    assert [name for name, entry in packages.items() if "resolved" in entry] == []
    assert [name for name, entry in packages.items() if not entry["integrity"].startswith("sha512-")] == []


def test_every_recipe_is_listed() -> None:
    """In the table of the recipes, which README.md leads to."""
    listed = re.findall(
        r"^\| \[[^\]]+\]\(([\w-]+\.md)\) \|", (FOLDER / "README.md").read_text("utf-8"), re.MULTILINE
    )
    assert sorted(listed) == [page.name for page in PAGES]
    assert "(openapi/recipes/README.md)" in (ROOT / "README.md").read_text("utf-8")


def test_a_page_that_shows_something_else_is_found(tmp_path: Path) -> None:
    """Text has to be equal, JSON a part, and a failing command fails its page."""
    page = tmp_path / "page.md"
    page.write_text(
        '```sh\necho \'{"a": [1, {"b": 2}], "c": 3}\'\n```\n\n```json\n{"a": [1, {"b": 4}]}\n```\n', "utf-8"
    )
    recipe = read_recipe(page)
    (printed,) = run_recipe(recipe, tmp_path, {})
    with pytest.raises(AssertionError, match="echo"):
        check_output(recipe.commands[0], printed)
    assert holds({"a": [1, {}]}, json.loads(printed))
    assert not holds({"a": [1]}, json.loads(printed))
    page.write_text("```sh\necho one\nfalse\necho two\n```\n", "utf-8")
    with pytest.raises(AssertionError, match="one"):
        run_recipe(read_recipe(page), tmp_path, {})
    page.write_text("```sh\necho one\n```\n\n```text\ntwo\n```\n", "utf-8")
    with pytest.raises(AssertionError, match="echo one"):
        check_output(read_recipe(page).commands[0], "one\n")
