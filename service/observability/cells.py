"""Numbers that every worker of a server can read, and that outlive the worker who wrote them.

Each worker maps a file of its own in a folder they share and adds to doubles in it: no lock, no system call, a fraction
of a microsecond. The lock on the file tells whether its worker lives; the system drops it however the worker ends. The
next worker takes such a file over and goes on counting, so that no counter ever falls and files do not pile up.

A file: a header of three 64-bit numbers (`MAGIC`, process id, bytes used), then records: length of the key [bytes] and
count of doubles as 32-bit numbers, the key in UTF-8 padded to 8 bytes, the doubles.
"""

import mmap
import os
import struct
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from service.observability.folders import locked

try:
    import fcntl
except ImportError:  # no shared folder there: the server has one worker on that system
    fcntl = None  # type: ignore[assignment]  # the name stands for "not there"

MAGIC = 0x6566666F72743031
SIZE_BYTES = 1 << 20
_MAGIC, _PID, _USED = range(3)
_HEADER_BYTES = 24
_RECORD = struct.Struct("=II")
_ALIGNED_BYTES = 8
_MOST_WORKERS, _SPARE = 1024, 32


class Counted(Struct, frozen=True, kw_only=True):
    """The numbers of one worker by key. `slot` is its place in the folder, `pid` None when it lives no more."""

    slot: int
    pid: int | None
    records: dict[str, tuple[float, ...]]


class Cells:
    """The numbers of this worker: `numbers[place(key, count)]` is the first of those called `key`."""

    def __init__(self, folder: Path | None = None) -> None:
        """Take a file in `folder`; without one they are this process's own. Raises OSError."""
        self._folder = folder if fcntl is not None else None
        self._places: dict[str, int] = {}
        self.slot, buffer = (0, bytearray(SIZE_BYTES)) if self._folder is None else _take(self._folder)
        self._view = memoryview(buffer)
        self._header = self._view[:_HEADER_BYTES].cast("Q")
        self.numbers = self._view.cast("d")
        if self._header[_MAGIC] == MAGIC:
            self._places = {key: first for key, first, _ in _records(self._view)}
        else:
            self._header[_USED] = _HEADER_BYTES
            self._header[_MAGIC] = MAGIC
        self._header[_PID] = os.getpid()
        # Where numbers go that find no room: they are lost, and nobody is stopped.
        self._spare = self.place("spare", _SPARE)

    def place(self, key: str, count: int) -> int:
        """Return where in `numbers` the `count` numbers called `key` begin; new ones are 0."""
        found = self._places.get(key)
        if found is not None:
            return found
        name = key.encode()
        start = self._header[_USED]
        first = start + _RECORD.size + _padded(len(name))
        end = first + count * _ALIGNED_BYTES
        if end > SIZE_BYTES:
            return self._spare
        _RECORD.pack_into(self._view, start, len(name), count)
        self._view[start + _RECORD.size : start + _RECORD.size + len(name)] = name
        self._header[_USED] = end  # last: who reads meanwhile sees a whole record or none
        self._places[key] = first // _ALIGNED_BYTES
        return self._places[key]

    def all(self) -> Iterator[Counted]:
        """Yield the numbers of every worker there is or was, this one's first."""
        yield Counted(slot=self.slot, pid=os.getpid(), records=_read(self._view))
        if self._folder is None:
            return
        for slot, path in _files(self._folder):
            if slot != self.slot:
                yield _other(slot, path)


def _padded(length: int) -> int:
    return -(-length // _ALIGNED_BYTES) * _ALIGNED_BYTES


def _path(folder: Path, slot: int) -> Path:
    return folder / f"worker-{slot}"


def _files(folder: Path) -> Iterator[tuple[int, Path]]:
    for slot in range(_MOST_WORKERS):
        if not (path := _path(folder, slot)).exists():
            return
        yield slot, path


def _take(folder: Path) -> tuple[int, mmap.mmap]:
    """Return the first slot nobody holds, and its file mapped and locked: as long as it is mapped it stays locked."""
    for slot in range(_MOST_WORKERS):
        with _path(folder, slot).open("a+b", buffering=0) as file:
            if locked(file, fcntl.LOCK_EX):
                # Written, not left sparse: a full disk is told here, not by a signal that kills the worker later.
                file.write(bytes(max(0, SIZE_BYTES - file.seek(0, os.SEEK_END))))
                return slot, mmap.mmap(file.fileno(), SIZE_BYTES)
    raise OSError(f"{folder} holds the numbers of {_MOST_WORKERS} workers")


def _other(slot: int, path: Path) -> Counted:
    with path.open("rb") as file:
        ended = locked(file, fcntl.LOCK_SH)
        read = file.read()
    known = len(read) == SIZE_BYTES and _head(read)[_MAGIC] == MAGIC
    pid = None if ended or not known else _head(read)[_PID]
    return Counted(slot=slot, pid=pid, records=_read(memoryview(read)) if known else {})


def _head(view: bytes | memoryview) -> tuple[int, ...]:
    return struct.unpack_from("=3Q", view)


def _records(view: memoryview) -> Iterator[tuple[str, int, int]]:
    """Yield key, place of the first double, and their count."""
    at, used = _HEADER_BYTES, _head(view)[_USED]
    while at < used:
        length, count = _RECORD.unpack_from(view, at)
        name = at + _RECORD.size
        first = name + _padded(length)
        yield str(view[name : name + length], "utf-8"), first // _ALIGNED_BYTES, count
        at = first + count * _ALIGNED_BYTES


def _read(view: memoryview) -> dict[str, tuple[float, ...]]:
    numbers = view.cast("d")
    return {key: tuple(numbers[first : first + count]) for key, first, count in _records(view)}
