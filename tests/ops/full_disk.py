"""Room that runs out and comes back: a small volume where one can be mounted, else a limit on the size of files."""

import errno
import resource
import subprocess
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.postgres import folder_for, run

MEBIBYTE = 2**20


@dataclass
class Volume:
    """A file system of its own, which `fill` leaves without a free byte."""

    path: Path

    def fill(self) -> None:
        """Take all the room there is."""
        with (self.path / "ballast").open("ab", buffering=0) as ballast:
            for size in (MEBIBYTE, 4096, 1):
                try:
                    while True:
                        ballast.write(b"\0" * size)
                except OSError as error:
                    assert error.errno == errno.ENOSPC  # noqa: PT017 - which error it is matters
                    continue

    def clear(self) -> None:
        """Give it back."""
        (self.path / "ballast").unlink(missing_ok=True)


@contextmanager
def small_volume(run_as: dict[str, Any], *, mebibytes: int) -> Iterator[Volume | None]:
    """Yield a volume in memory that belongs to the user of `run_as`; None where this process may not mount one."""
    with folder_for(run_as) as folder:
        owner = f"uid={run_as['user']},gid={run_as['group']}," if run_as else ""
        options = f"{owner}size={mebibytes}m,mode=0700"
        mount = ["mount", "-t", "tmpfs", "-o", options, "effort-test", folder]
        try:
            mounted = subprocess.run(mount, check=False, capture_output=True).returncode == 0
        except FileNotFoundError:
            mounted = False
        try:
            yield Volume(folder) if mounted else None
        finally:
            if mounted:
                subprocess.run(["umount", "--lazy", folder], check=True)


def limit_files(pids: Iterable[int], most_bytes: int | None, run_as: dict[str, Any] | None = None) -> None:
    """Let the processes write no file beyond so many bytes; None takes the limit away again.

    `run_as` names their user where it is another: root may lack the right over others' limits.
    """
    for pid in pids:
        _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        soft = hard if most_bytes is None else most_bytes
        if run_as:
            run(["prlimit", f"--pid={pid}", f"--fsize={soft}:{hard}".replace("-1", "unlimited")], run_as)
        else:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (soft, hard))
