"""The document of each release, without texts and examples: what the present one is compared with.

`python -m tests.contract.released` records the committed document as that of the version it names; once, at release.
"""

import gzip
import json
import sys
from pathlib import Path
from typing import Any

from packaging.version import Version

from service.api.document import DOCUMENT_PATH

FOLDER = DOCUMENT_PATH.with_name("released")
SUFFIX = ".json.gz"
# Beside a schema's or operation's own members; a member of a body may well be called `description`.
TEXTS = {"title", "description", "summary", "examples", "example", "links"}
NAMES = {"properties", "schemas", "headers", "paths", "responses", "securitySchemes"}


def released_versions() -> list[Version]:
    """Return the versions whose documents are kept, oldest first."""
    return sorted(Version(path.name.removesuffix(SUFFIX)) for path in FOLDER.glob(f"*{SUFFIX}"))


def released_document(version: Version) -> dict[str, Any]:
    """Return the document of a release, without texts."""
    packed = (FOLDER / f"{version}{SUFFIX}").read_bytes()
    document: dict[str, Any] = json.loads(gzip.decompress(packed))
    return document


def without_texts(node: Any, *, names: bool = False) -> Any:
    """Return what a caller's program depends on; `names`: the keys of `node` are names, not keywords."""
    if isinstance(node, list):
        return [without_texts(each) for each in node]
    if not isinstance(node, dict):
        return node
    return {
        key: without_texts(value, names=not names and key in NAMES)
        for key, value in node.items()
        if names or key not in TEXTS
    }


def record(path: Path = DOCUMENT_PATH, folder: Path = FOLDER) -> Path:
    """Write the document at `path` to `folder`. Raises FileExistsError when its version was recorded before."""
    document = json.loads(path.read_text("utf-8"))
    content = json.dumps(without_texts(document), separators=(",", ":"), ensure_ascii=False).encode()
    target = folder / f"{document['info']['version']}{SUFFIX}"
    with target.open("xb") as file:
        file.write(gzip.compress(content, mtime=0))
    return target


if __name__ == "__main__":
    try:
        sys.stdout.write(f"wrote {record()}\n")
    except FileExistsError as error:
        sys.exit(f"{error.filename} is there: a released document never changes; raise the version first")
