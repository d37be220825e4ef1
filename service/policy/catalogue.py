"""All policy versions on disk, read and checked once.

A version is named by its date. `data/<date>/` holds the files that are new or changed on that date; a version
is the overlay of every folder up to its own. So a factor is added with one file (and its cases), and nothing
released is ever edited: `data/released.toml` freezes the digest of each released version, and the reader
refuses data that no longer matches. A dated folder that is not in it is a draft.
"""

import hashlib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from service.errors import PolicyBroken, PolicyNotFound
from service.policy.check import check_policy
from service.policy.files import (
    CautionsFile,
    EvidenceFile,
    ExerciseRow,
    ExercisesFile,
    FactorFile,
    MusclesFile,
    factor_from,
    read_file,
)
from service.rules.compiled import Policy, compile_policy
from service.rules.policy import (
    Accustoming,
    Capacity,
    Cues,
    Defaults,
    Evidence,
    Exercise,
    Limits,
    PolicyData,
)

DATA = Path(__file__).parent / "data"
RELEASED = "released.toml"
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z")
_FILES = (
    "limits.toml",
    "cautions.toml",
    "defaults.toml",
    "accustoming.toml",
    "capacity.toml",
    "cues.toml",
    "muscles.toml",
    "exercises.toml",
    "evidence.toml",
)


class Policies(Struct, frozen=True):
    """The versions in force, oldest first."""

    versions: tuple[Policy, ...]

    @property
    def newest(self) -> Policy:
        """The version used when a request pins none."""
        return self.versions[-1]

    def get(self, version: str | None) -> Policy:
        """Return the named version, the newest for None. Raises PolicyNotFound."""
        if version is None:
            return self.newest
        for policy in self.versions:
            if policy.version == version:
                return policy
        known = ", ".join(policy.version for policy in self.versions)
        raise PolicyNotFound(f"no policy version {version}; there is {known}")


def _overlay(root: Path, version: str) -> dict[str, Path]:
    """Map relative names to files: for each the newest folder up to `version` wins."""
    files: dict[str, Path] = {}
    for folder in sorted(p for p in root.iterdir() if p.is_dir() and p.name <= version):
        for path in sorted(folder.rglob("*.toml")):
            files[path.relative_to(folder).as_posix()] = path
    return files


def digest_of(files: dict[str, Path]) -> str:
    """Return `sha256:...` over the names and bytes of a version's files."""
    total = hashlib.sha256()
    for name in sorted(files):
        content = files[name].read_bytes().replace(b"\r\n", b"\n")
        total.update(f"{name}\n{len(content)}\n".encode())
        total.update(content)
    return f"sha256:{total.hexdigest()}"


def _unique(kind: str, keys: list[str]) -> None:
    repeated = sorted({key for key in keys if keys.count(key) > 1})
    if repeated:
        raise PolicyBroken(f"{kind} given twice: {', '.join(repeated)}")


def _factor_files(files: dict[str, Path]) -> Iterator[FactorFile]:
    for name, path in files.items():
        if name.startswith("factors/"):
            file = read_file(path, FactorFile)
            if file.factor != path.stem:
                raise PolicyBroken(f"{name}: the file must be named after its factor {file.factor}")
            yield file
        elif name not in _FILES:
            raise PolicyBroken(f"{name}: not a policy file; known: factors/*.toml, {', '.join(_FILES)}")


def _exercises(rows: tuple[ExerciseRow, ...]) -> dict[str, Exercise]:
    _unique("exercise", [row.id for row in rows])
    return {
        row.id: Exercise(
            id=row.id,
            name=row.name,
            joints=row.joints,  # type: ignore[arg-type]  # check_policy looks at the vocabulary
            equipment=row.equipment,  # type: ignore[arg-type]  # same
            under_bar=row.under_bar,
            muscles=row.muscles,
        )
        for row in rows
    }


def _evidence(files: dict[str, Path], factors: list[FactorFile]) -> dict[str, Evidence]:
    entries = [*read_file(files["evidence.toml"], EvidenceFile).evidence]
    for factor in factors:
        entries += factor.evidence
    _unique("evidence", [entry.key for entry in entries])
    return {entry.key: entry for entry in entries}


def read_version(root: Path, version: str) -> PolicyData:
    """Return one version's data, read and checked. Raises PolicyBroken naming file and fault."""
    files = _overlay(root, version)
    missing = [name for name in _FILES if name not in files]
    if missing:
        raise PolicyBroken(f"policy {version} lacks {', '.join(missing)}")
    factor_files = list(_factor_files(files))
    rows = read_file(files["exercises.toml"], ExercisesFile).exercises
    muscles = read_file(files["muscles.toml"], MusclesFile).muscles
    _unique("muscle", [muscle.id for muscle in muscles])
    data = PolicyData(
        version=version,
        digest=digest_of(files),
        valid_from=version,
        factors=tuple(sorted(map(factor_from, factor_files), key=lambda factor: factor.place)),
        limits=read_file(files["limits.toml"], Limits),
        cautions=read_file(files["cautions.toml"], CautionsFile).cautions,
        defaults=read_file(files["defaults.toml"], Defaults),
        accustoming=read_file(files["accustoming.toml"], Accustoming),
        capacity=read_file(files["capacity.toml"], Capacity),
        cues=read_file(files["cues.toml"], Cues),
        muscles={muscle.id: muscle for muscle in muscles},
        exercises=_exercises(rows),
        families_by_exercise={row.id: row.capacity_family for row in rows},
        evidence=_evidence(files, factor_files),
    )
    check_policy(data)
    return data


def _released(root: Path) -> dict[str, str]:
    path = root / RELEASED
    if not path.exists():
        return {}
    content = tomllib.loads(path.read_text("utf-8"))
    return {str(version): str(digest) for version, digest in content.get("released", {}).items()}


def dated_folders(root: Path = DATA) -> tuple[str, ...]:
    """Return the dates that have a folder, oldest first."""
    return tuple(sorted(p.name for p in root.iterdir() if p.is_dir() and _DATE.match(p.name)))


def drafts(root: Path = DATA) -> tuple[str, ...]:
    """Return the dated folders not yet released, oldest first."""
    released = _released(root)
    return tuple(version for version in dated_folders(root) if version not in released)


def load_policies(root: Path = DATA, *, with_drafts: bool = False) -> Policies:
    """Return every released version, and drafts when asked for. Raises PolicyBroken.

    A released version whose files no longer have the frozen digest is refused.
    """
    released = _released(root)
    wanted = [v for v in dated_folders(root) if with_drafts or v in released]
    versions = []
    for version in wanted:
        data = read_version(root, version)
        if released.get(version, data.digest) != data.digest:
            raise PolicyBroken(
                f"policy {version} was changed after its release: frozen {released[version]}, found "
                f"{data.digest}; put changes into a folder with a new date"
            )
        versions.append(compile_policy(data))
    missing = sorted(set(released) - set(wanted))
    if missing or not versions:
        raise PolicyBroken(f"no data for released policy {', '.join(missing) or '(none at all)'}")
    return Policies(tuple(versions))
