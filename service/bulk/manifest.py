"""What a run is about, kept beside its parts, so that it can be taken up again and never with something else."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from service.bulk.parts import DONE, REFUSED, clear_unfinished, whole_file
from service.errors import Fault, InputRefused
from service.observability.folders import locked

try:
    import fcntl
except ImportError:  # no locks on that system: take care not to start a run twice
    fcntl = None  # type: ignore[assignment]  # the name stands for "not there"

MANIFEST, LOCK = "_manifest.json", "_lock"
BESIDE = "beside"
Identity = dict[str, Any]


def _refused(out: Path, told: str) -> InputRefused:
    return InputRefused((Fault(str(out), told, "folder"),))


@contextmanager
def held(out: Path) -> Iterator[None]:
    """Hold the folder, made if new, against a second run. Raises InputRefused when somebody else holds it."""
    try:
        for folder in (out, out / DONE, out / REFUSED):
            folder.mkdir(parents=True, exist_ok=True)
        lock = (out / LOCK).open("ab")
    except OSError as error:
        raise _refused(out, f"cannot be written to: {error.strerror}") from error
    with lock:
        if fcntl is not None and not locked(lock, fcntl.LOCK_EX):
            raise _refused(out, "another run writes here; wait for its end")
        clear_unfinished(out)
        yield


def check_folder(out: Path) -> None:
    """Raise InputRefused for a folder that is there and holds anything but a run."""
    if out.exists() and not out.is_dir():
        raise _refused(out, "is a file; name a folder")
    if out.is_dir() and not (out / MANIFEST).exists():
        strange = sorted(path.name for path in out.iterdir() if path.name not in (LOCK, DONE, REFUSED))
        if strange:
            raise _refused(out, f"holds other files ({strange[0]}); name a new folder")


def take_up(out: Path, identity: Identity, beside: Identity) -> Identity:
    """Begin a run, or go on with the one that stands there; return what was kept `beside` when it began.

    Raises InputRefused, naming whatever of `identity` is not the same.
    """
    path = out / MANIFEST
    wanted = msgspec.json.decode(msgspec.json.encode({**identity, BESIDE: beside}))
    if path.exists():
        stood = msgspec.json.decode(path.read_bytes())
        _check_same(out, stood, {name: wanted[name] for name in identity})
        return dict(stood[BESIDE])
    with whole_file(path) as file:
        file.write(msgspec.json.format(msgspec.json.encode(wanted), indent=2))
    return dict(wanted[BESIDE])


def _check_same(out: Path, stood: Identity, wanted: Identity) -> None:
    other = [name for name in wanted if stood.get(name) != wanted[name]]
    if not other:
        return
    faults = [
        Fault(
            str(out),
            f"holds a run with {name} {_short(stood.get(name))}, not {_short(wanted[name])}; name a new folder, or "
            "delete this one",
            "folder",
        )
        for name in other
    ]
    raise InputRefused(tuple(faults))


def _short(value: Any) -> str:
    text = msgspec.json.encode(value).decode()
    most = 80
    return text if len(text) <= most else f"{text[: most - 3]}..."
