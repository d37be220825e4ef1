"""The folder that the workers of one server have in common: in memory where there is some, gone when the server ends.

A server that was killed cannot clear up. The next one does: a folder whose lock nobody holds belongs to nobody.
"""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

try:
    import fcntl
except ImportError:  # no locks there; the server has one worker on that system, and needs no folder
    fcntl = None  # type: ignore[assignment]  # the name stands for "not there"

MEMORY = Path("/dev/shm")  # noqa: S108 - folders made there are our own, for our user only
PREFIX = "effort-workers-"
_LOCK = "server"


def locked(file: IO[bytes], how: int) -> bool:
    """Lock a file for as long as it is open or mapped, `how` fcntl.LOCK_EX or LOCK_SH; False when it is held."""
    try:
        fcntl.flock(file, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


@contextmanager
def workers_folder(parent: Path | None = None) -> Iterator[Path | None]:
    """Yield a new folder in `parent`, None where files cannot be locked. Raises OSError."""
    if fcntl is None:
        yield None
        return
    parent = parent or _parent()
    _clear(parent)
    with (
        tempfile.TemporaryDirectory(prefix=PREFIX, dir=parent, ignore_cleanup_errors=True) as made,
        (Path(made) / "new").open("wb") as file,
    ):
        locked(file, fcntl.LOCK_EX)
        Path(file.name).rename(Path(made) / _LOCK)  # locked already when others see it
        yield Path(made)


def _parent() -> Path:
    with suppress(OSError), tempfile.TemporaryFile(dir=MEMORY):
        return MEMORY
    return Path(tempfile.gettempdir())


def _clear(parent: Path) -> None:
    """Remove what killed servers left behind; another user's folder, or one that goes meanwhile, is left alone."""
    for folder in parent.glob(f"{PREFIX}*"):
        with suppress(OSError), (folder / _LOCK).open("rb") as file:
            if locked(file, fcntl.LOCK_EX):
                shutil.rmtree(folder, ignore_errors=True)
