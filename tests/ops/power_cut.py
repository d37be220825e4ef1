"""What would be left on a disk if the power failed now.

As root: the database lies on a file system of its own, in an image that a loop device writes to. What a program has
written but not synced is in memory, not in the image; a copy of the image is what a power cut leaves. It shows that
whatever was acknowledged had been handed to the disk. It does not show what a disk does that keeps a cache of its own
and lies about it, and the copy may hold a little more than a real cut, never less.

Elsewhere: a copy of the database and its log while the service stands still. It shows that any moment's files are a
whole database with everything acknowledged in it. It does not show that anything was synced.
"""

import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.ops.replicas import Replica

MEBIBYTE = 2**20
IMAGE_BYTES = 64 * MEBIBYTE


@dataclass
class Disk:
    """A folder to keep a database in; `image` is what the disk below it holds, None where there is only the folder."""

    folder: Path
    image: Path | None

    def copy(self, to: Path) -> Path:
        """Copy what is on the disk at this moment."""
        if self.image is None:
            return Path(shutil.copytree(self.folder, to))
        return Path(shutil.copyfile(self.image, to))


@contextmanager
def standing_still(one: Replica) -> Iterator[None]:
    """Let a replica do nothing within the block."""
    one.signal(signal.SIGSTOP)
    try:
        yield
    finally:
        one.signal(signal.SIGCONT)


def _runs(*command: str | Path) -> bool:
    try:
        return subprocess.run(command, check=False, capture_output=True).returncode == 0
    except FileNotFoundError:
        return False


@contextmanager
def disk(parent: Path) -> Iterator[Disk]:
    """Yield an empty disk, whose unsynced writes stay in memory for longer than any test."""
    image, folder = parent / "disk.image", parent / "disk"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(IMAGE_BYTES)
    made = _runs("mkfs.ext4", "-q", "-F", image)
    mounted = made and _runs("mount", "-o", "loop,commit=300", image, folder)
    try:
        yield Disk(folder, image if mounted else None)
    finally:
        if mounted:
            subprocess.run(["umount", folder], check=True)


@contextmanager
def after_the_cut(copy: Path) -> Iterator[Path]:
    """Yield the folder of a copied disk as it is when the machine starts again."""
    if copy.is_dir():
        yield copy
        return
    folder = copy.with_suffix(".mounted")
    folder.mkdir()
    subprocess.run(["mount", "-o", "loop", copy, folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)
