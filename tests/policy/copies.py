"""Copies of the policy data to break and to add to, away from the real files."""

import shutil
from pathlib import Path

from service.policy.catalogue import DATA, dated_folders

NEWEST = dated_folders()[-1]


def copy_data(to: Path) -> Path:
    """Copy the newest version into `to`, as one whole folder, nothing released there; return the new root."""
    root = to / "data"
    for folder in dated_folders():
        shutil.copytree(DATA / folder, root / NEWEST, dirs_exist_ok=True)
    return root


def edit(path: Path, old: str, new: str) -> None:
    """Replace the one place where `old` stands in a file; the edit must be possible."""
    text = path.read_text("utf-8")
    assert text.count(old) >= 1, f"{old!r} is not in {path.name}"
    path.write_text(text.replace(old, new, 1), "utf-8")


def release(root: Path, digests: dict[str, str]) -> None:
    """Freeze versions by digest the way `released.toml` does."""
    lines = [f'"{version}" = "{digest}"' for version, digest in digests.items()]
    (root / "released.toml").write_text("[released]\n" + "\n".join(lines) + "\n", "utf-8")
