"""What is documented is true: glossary, settings, problem types, README examples."""

import json
import re
import tomllib
from pathlib import Path
from typing import get_args

import msgspec
from msgspec import Struct

from service.api.document import DOCUMENT_PATH
from service.api.problem_types import PROBLEM_TYPES
from service.cli import COMMANDS
from service.rules import answer, context
from service.rules.learning import context as history_context
from service.rules.learning import performed, review, view
from service.rules.plans import answer as plan_answer
from service.rules.plans import audit_warning, plan
from service.settings import SETTINGS

ROOT = Path(__file__).parents[2]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def section(title: str) -> str:
    """Text of the level-two section called `title`."""
    return DEVELOPERS.split(f"\n## {title}\n", 1)[1].split("\n## ", 1)[0]


def members(module: object) -> set[str]:
    """Names of all fields of the Structs a module defines."""
    structs = [
        value
        for value in vars(module).values()
        if isinstance(value, type) and issubclass(value, Struct) and value.__module__ == module.__name__  # type: ignore[attr-defined]  # modules have names
    ]
    return {field.encode_name for struct in structs for field in msgspec.structs.fields(struct)}


def glossary_names() -> set[str]:
    """Names in the first column, and those of members a row explains in passing."""
    rows = [line for line in section("Glossary").splitlines() if line.startswith("| `")]
    return {name for row in rows for name in re.findall(r"`([a-z_0-9]+)`", row)}


def test_glossary_names_every_struct_field_and_nothing_else() -> None:
    """One name per thing: a field without a row, or a row without a field, fails."""
    documented = (context, answer, performed, history_context, view, review, plan, plan_answer, audit_warning)
    assert glossary_names() == set().union(*map(members, documented))


def test_every_setting_is_documented_with_its_default() -> None:
    """The table in DEVELOPERS.md lists the settings the service reads."""
    rows = re.findall(r"^\| `(EFFORT_[A-Z_]+)` \| `?([^|`]*)`? \|", section("Settings"), re.MULTILINE)
    assert rows == [(name, default) for name, default, _ in SETTINGS]


def test_every_variable_that_tests_read_is_documented() -> None:
    """Who has a server or a browser of their own finds how to name it."""
    sources = "\n".join(path.read_text("utf-8") for path in (ROOT / "tests").rglob("*.py"))
    read = set(re.findall(r"os\.environ(?:\.get\(|\[)\"(EFFORT_\w+)\"", sources))
    assert read
    assert {name for name in read if f"`{name}" not in DEVELOPERS} == set()


def test_every_problem_type_is_documented() -> None:
    """With status, meaning and mend, as its page says."""
    rows = re.findall(
        r"^\| `([a-z-]+)` \| (\d{3}) \| (.+?) \| (.+?) \|$", section("Problem types"), re.MULTILINE
    )
    wanted = [(kind.slug, str(kind.status), kind.meaning, kind.mend) for kind in PROBLEM_TYPES.values()]
    assert rows == wanted


def test_every_dependency_has_its_reason() -> None:
    """Each package of pyproject stands in the table of reasons."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = {re.match(r"[A-Za-z0-9-]+", line)[0] for line in wanted}  # type: ignore[index]  # every line starts with a name
    table = section("Dependencies, each with its reason")
    missing = {name for name in names if name.lower() not in table.lower() and not name.startswith("types-")}
    assert missing == set()


def test_every_caution_is_named_in_the_policy_texts() -> None:
    """A caution a caller can send has a text of its own."""
    folder = ROOT / "service" / "policy" / "data" / "2026-11-25"
    told = tomllib.loads((folder / "cautions.toml").read_text("utf-8"))["cautions"]
    assert set(get_args(context.Caution)) <= {entry["code"] for entry in told}


def test_every_room_and_kind_of_test_stands_in_the_tour() -> None:
    """A folder nobody is told of is found by accident."""
    tour = section("Tour")
    rooms = {path.name for path in (ROOT / "service").iterdir() if (path / "__init__.py").exists()}
    assert rooms == set(re.findall(r"^\| `service/(\w+)/` \|", tour, re.MULTILINE))
    (told,) = re.findall(r"^\| `tests/` \| (.*?) \|", tour, re.MULTILINE)
    kinds = {path.parent.name for path in (ROOT / "tests").glob("*/*.*") if path.suffix in (".py", ".toml")}
    assert {kind for kind in kinds if not re.search(rf"\b{kind}\b", told)} == set()


def test_every_benchmark_is_listed_with_its_command() -> None:
    """The table beside them names all, and no other."""
    folder = ROOT / "tests" / "bench"
    listed = re.findall(r"-m tests\.bench\.(\w+)", (folder / "README.md").read_text("utf-8"))
    there = [path.stem for path in folder.glob("*.py") if path.stem.startswith(("bench_", "fit_"))]
    assert sorted(listed) == sorted(there)


def test_every_operation_stands_in_the_readme() -> None:
    """In its table or its calls: the whole path, or its last part in a row of its neighbours."""
    readme = (ROOT / "README.md").read_text("utf-8")
    paths = json.loads(DOCUMENT_PATH.read_text("utf-8"))["paths"]
    assert [
        path for path in paths if path not in readme and f"`{path.rpartition('/')[2]}`" not in readme
    ] == []


def test_every_command_stands_in_the_documents() -> None:
    """What `effort --help` lists is told, and what is told is listed."""
    documents = ("README.md", "DEVELOPERS.md", "openapi/CHANGELOG.md")
    texts = "\n".join((ROOT / name).read_text("utf-8") for name in documents)
    assert set(re.findall(r"(?:`|bin/)effort ([a-z]+)", texts)) == set(COMMANDS)
