"""Releases before this one: their code out of git, and what that code needs of the schema, written down.

    .venv/bin/python -m tests.ops.previous_release COMMIT

writes the record of a release to `previous_releases/`, once COMMIT has been released and before the next migration is
made. Kept are the last release, and the last that a migration has met since; older ones may be deleted.
"""

import io
import json
import os
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from packaging.version import Version
from sqlalchemy import Inspector
from sqlalchemy.engine.interfaces import ReflectedColumn

from tests.contract.server import ROOT

RECORDS = Path(__file__).with_name("previous_releases")
# Run in the old tree, so it imports what both releases have.
TELL = """
import json
from service.storage.migrate import HEAD_REVISION
from service.storage.schema import metadata

def told(column):
    kind = getattr(column.type, "impl", column.type)
    return {"kind": kind.python_type.__name__, "length": getattr(kind, "length", None), "nullable": column.nullable}

tables = {
    table.name: {
        "columns": {column.name: told(column) for column in table.c},
        "primary_key": [column.name for column in table.primary_key.columns],
    }
    for table in metadata.sorted_tables
}
print(json.dumps({"revision": HEAD_REVISION, "tables": tables}))
"""


def recorded() -> list[dict[str, Any]]:
    """Return the records, oldest release first: `version`, `commit`, `revision`, and `tables` by name."""
    records: list[dict[str, Any]] = [json.loads(path.read_text("utf-8")) for path in RECORDS.glob("*.json")]
    return sorted(records, key=lambda record: Version(record["version"]))


def code_of(commit: str, into: Path) -> Path | None:
    """Put the tree of a commit into a folder; None where git or the commit is not at hand."""
    command = ["git", "-C", str(ROOT), "archive", commit]
    try:
        archived = subprocess.run(command, check=False, capture_output=True)
    except FileNotFoundError:
        return None
    if archived.returncode != 0:
        return None
    with tarfile.open(fileobj=io.BytesIO(archived.stdout)) as tree:
        tree.extractall(into, filter="data")
    return into


def effort_of(code: Path, url: str, *arguments: str) -> str:
    """Run `effort` of an older tree on the database at `url`; what it prints."""
    environ = os.environ | environ_of(code) | {"EFFORT_DATABASE_URL": url}
    command = [sys.executable, "-m", "service", *arguments]
    return subprocess.run(command, cwd=code, env=environ, check=True, capture_output=True, text=True).stdout


def environ_of(code: Path) -> dict[str, str]:
    """Return what makes Python take `service` from an older tree, and not the installed one."""
    return {"PYTHONPATH": str(code)}


def version_of(code: Path) -> str:
    """Return the version a tree names itself."""
    project = tomllib.loads((code / "pyproject.toml").read_text("utf-8"))["project"]
    return str(project["version"])


def needs_of(code: Path) -> dict[str, Any]:
    """Return what the code of a tree needs of the schema, and its newest revision."""
    told = subprocess.run(
        [sys.executable, "-c", TELL],
        cwd=code,
        env=os.environ | environ_of(code),
        check=True,
        capture_output=True,
        text=True,
    )
    needs: dict[str, Any] = json.loads(told.stdout)
    return needs


def missing_in(schema: Inspector, needs: dict[str, Any]) -> Iterator[str]:
    """Yield what older code needs and does not find, or would have to fill and does not know of."""
    for table, needed in needs["tables"].items():
        if not schema.has_table(table):
            yield f"table {table} is gone"
            continue
        found = {column["name"]: column for column in schema.get_columns(table)}
        for name, column in needed["columns"].items():
            yield from _wrong(f"{table}.{name}", column, found.pop(name, None))
        for name, more in found.items():
            if not more["nullable"] and more["default"] is None:
                yield f"column {table}.{name} is new, without a default, and takes no NULL"
        if schema.get_pk_constraint(table)["constrained_columns"] != needed["primary_key"]:
            yield f"the primary key of {table} is another"


def _wrong(place: str, needed: dict[str, Any], found: ReflectedColumn | None) -> Iterator[str]:
    if found is None:
        yield f"column {place} is gone"
        return
    if needed["nullable"] and not found["nullable"]:
        yield f"column {place} takes no NULL any more"
    kind = found["type"].python_type.__name__
    # SQLite keeps ids as text and says so.
    if kind != needed["kind"] and (needed["kind"], kind) != ("UUID", "str"):
        yield f"column {place} is {kind}, not {needed['kind']}"
    length = getattr(found["type"], "length", None)
    if needed["kind"] == "str" and length is not None and length < (needed["length"] or length + 1):
        yield f"column {place} is shorter than {needed['length']}"


def main(commit: str) -> None:
    """Write the record for a commit."""
    full = subprocess.run(
        ["git", "-C", str(ROOT), "rev-parse", commit], check=True, capture_output=True, text=True
    ).stdout.strip()
    with tempfile.TemporaryDirectory() as folder:
        code = code_of(full, Path(folder))
        assert code is not None
        record = {"version": version_of(code), "commit": full, **needs_of(code)}
    (RECORDS / f"{record['version']}.json").write_text(json.dumps(record, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main(sys.argv[1])
