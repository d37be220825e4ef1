"""Golden answers: for every policy version the full bytes of some forty contexts, kept for ever.

`tests/cases/golden/contexts.jsonl` holds the contexts, one a line; `<version>.jsonl` holds for each of them
the answer of that version. A new version gets its file once, when its numbers are final and before it is
released:

    python -m tests.rules.golden 2027-01-15

An existing file is never written again: a released version answers the same bytes for ever, so a mismatch
is a fault of the code. (The file of a draft whose numbers still move may be deleted and written anew.)
"""

import sys
from pathlib import Path

import msgspec

from service.policy.catalogue import load_policies
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe
from service.rules.validity import faults_of

FOLDER = Path(__file__).parents[1] / "cases" / "golden"


class Golden(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One context and the answer to it, both as the bytes they were written in."""

    context: msgspec.Raw
    answer: msgspec.Raw


def contexts(policy: Policy, folder: Path = FOLDER) -> list[bytes]:
    """The contexts to answer, as JSON bytes: those with members younger than the policy are left out."""
    lines = (folder / "contexts.jsonl").read_bytes().splitlines()
    return [line for line in lines if not faults_of(msgspec.json.decode(line, type=SetContext), policy)]


def answered(context: bytes, policy: Policy) -> bytes:
    """The full answer to a context, as JSON bytes."""
    return msgspec.json.encode(prescribe(msgspec.json.decode(context, type=SetContext), policy))


def read_golden(path: Path) -> list[Golden]:
    """The lines of one version's file."""
    return [msgspec.json.decode(line, type=Golden) for line in path.read_bytes().splitlines()]


def write_golden(version: str, folder: Path = FOLDER) -> Path:
    """Write the golden file of a NEW version and return its path. Raises FileExistsError if there is one."""
    policy = load_policies(with_drafts=True).get(version)
    path = folder / f"{version}.jsonl"
    lines = [
        msgspec.json.encode(Golden(msgspec.Raw(context), msgspec.Raw(answered(context, policy))))
        for context in contexts(policy, folder)
    ]
    with path.open("xb") as file:
        file.write(b"\n".join(lines) + b"\n")
    return path


if __name__ == "__main__":
    sys.stdout.write(f"{write_golden(sys.argv[1])}\n")
