"""Memory, descriptors and start of a process, as its system tells them. Source: proc(5)."""

import os
from functools import lru_cache
from pathlib import Path

_PROC = Path("/proc")
# Places in /proc/<pid>/stat after the name, which stands in parentheses and may hold anything.
_USER_TICKS, _SYSTEM_TICKS, _START_TICKS, _MEMORY_PAGES = 11, 12, 19, 21
_OPEN_FILES = "Max open files"


@lru_cache(maxsize=1)
def _boot_seconds() -> int:
    lines = (_PROC / "stat").read_text("ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("btime "))


def _most_files(text: str) -> float:
    limit = next(line for line in text.splitlines() if line.startswith(_OPEN_FILES))
    soft = limit.removeprefix(_OPEN_FILES).split()[0]
    return float("inf") if soft == "unlimited" else float(soft)


def process_facts(pid: int) -> dict[str, float]:
    """Return metrics of a process by name; none where there is no /proc or the process has ended."""
    folder = _PROC / str(pid)
    try:
        fields = (folder / "stat").read_text("utf-8", "replace").rpartition(")")[2].split()
        ticks = os.sysconf("SC_CLK_TCK")
        return {
            "process_cpu_seconds_total": (int(fields[_USER_TICKS]) + int(fields[_SYSTEM_TICKS])) / ticks,
            "process_resident_memory_bytes": int(fields[_MEMORY_PAGES]) * os.sysconf("SC_PAGE_SIZE"),
            "process_start_time_seconds": _boot_seconds() + int(fields[_START_TICKS]) / ticks,
            "process_open_fds": sum(1 for _ in (folder / "fd").iterdir()),
            "process_max_fds": _most_files((folder / "limits").read_text("ascii")),
        }
    except (OSError, StopIteration, ValueError, IndexError):
        return {}
