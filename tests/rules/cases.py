"""Golden cases as data: `tests/cases/<factor>.toml`. Adding a factor is its policy file and its cases file.

A case names a context, the expected range, and where the expectation comes from: keys of the evidence
register, or one of the words `common practice` and `judgement`.
"""

import tomllib
from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

FOLDER = Path(__file__).parents[1] / "cases"
WORDS = ("common practice", "judgement")


class CaseRefusedError(ValueError):
    """A case that cannot be read, has no source, or names one that is not in the register."""


class Case(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One expectation; target, low and high in repetitions in reserve, `factors` maps factor to effect."""

    name: Annotated[str, Meta(min_length=12, max_length=100)]
    context: dict[str, Any]
    source: Annotated[tuple[str, ...], Meta(min_length=1)]
    decision: Literal["prescribe", "withhold"] = "prescribe"
    target: float | None = None
    low: float | None = None
    high: float | None = None
    factors: dict[str, float] | None = None


class CaseFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The cases of one file."""

    cases: Annotated[tuple[Case, ...], Meta(min_length=1)]


def read_cases(path: Path, register: Collection[str]) -> tuple[Case, ...]:
    """Return the cases of one file. Raises CaseRefusedError naming the file and what is wrong."""
    try:
        cases = msgspec.convert(tomllib.loads(path.read_text("utf-8")), CaseFile).cases
    except (msgspec.ValidationError, tomllib.TOMLDecodeError) as error:
        raise CaseRefusedError(f"{path.name}: {error}") from error
    for case in cases:
        unknown = [name for name in case.source if name not in register and name not in WORDS]
        if unknown:
            raise CaseRefusedError(f"{path.name}: {case.name!r} rests on {unknown}, not in the register")
        ends = (case.target, case.low, case.high)
        if (case.decision == "prescribe") != all(end is not None for end in ends):
            raise CaseRefusedError(f"{path.name}: {case.name!r} must give target, low and high, or withhold")
    return cases


def case_files() -> tuple[Path, ...]:
    """Every cases file, by name."""
    return tuple(sorted(FOLDER.glob("*.toml")))
