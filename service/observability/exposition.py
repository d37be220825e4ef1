"""All numbers as text, in Prometheus's exposition format 0.0.4."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import accumulate

from service.observability.cells import Counted
from service.observability.metrics import (
    BOUNDS_SECONDS,
    CONNECTIONS,
    DURATION,
    IN_FLIGHT,
    MOST_CONNECTIONS,
    PRESCRIPTIONS,
    PROBLEMS,
    series,
)
from service.observability.processes import process_facts

MEDIA_TYPE = "text/plain; version=0.0.4"  # Litestar adds the charset
# name -> (kind, what it says); the order is that of the text
FAMILIES = {
    DURATION: ("histogram", "Seconds from the request to the end of its answer."),
    IN_FLIGHT: ("gauge", "Requests being answered."),
    PRESCRIPTIONS: ("counter", "Prescriptions given, each set of a batch by itself."),
    PROBLEMS: ("counter", "Answers that are problems, by the slug of their type."),
    CONNECTIONS: ("gauge", "Open connections to the database."),
    MOST_CONNECTIONS: ("gauge", "Most connections to the database there may be."),
    "effort_database_up": ("gauge", "1 when the database answers this worker, else 0."),
    "effort_ready": ("gauge", "1 when this worker is ready (/health/ready), else 0."),
    "effort_build_info": ("gauge", "1; its label is the version that runs."),
    "effort_policy_info": ("gauge", "1; its labels are the newest policy's version and digest."),
    "process_cpu_seconds_total": ("counter", "User and system time of a worker."),
    "process_resident_memory_bytes": ("gauge", "Resident memory of a worker."),
    "process_start_time_seconds": ("gauge", "Start of a worker, in Unix time."),
    "process_open_fds": ("gauge", "Open file descriptors of a worker."),
    "process_max_fds": ("gauge", "Most open file descriptors of a worker."),
}


def _name(key: str) -> str:
    return key.partition("{")[0]


def _sums(workers: Iterable[Counted]) -> dict[str, list[float]]:
    """Return the sums over all workers: counters of the dead as well, gauges of the living only."""
    sums: dict[str, list[float]] = {}
    for worker in workers:
        for key, numbers in worker.records.items():
            kind = FAMILIES.get(_name(key), ("", ""))[0]
            # Another length was written by another release, before a worker of this one took the cells over.
            known = len(numbers) == (len(BOUNDS_SECONDS) + 2 if kind == "histogram" else 1)
            if kind and known and (kind != "gauge" or worker.pid is not None):
                before = sums.setdefault(key, [0.0] * len(numbers))
                sums[key] = [a + b for a, b in zip(before, numbers, strict=True)]
    return sums


def _number(value: float) -> str:
    if value == float("inf"):
        return "+Inf"
    return str(int(value)) if value == int(value) else repr(float(value))


def _histogram(key: str, numbers: list[float]) -> Iterator[str]:
    name, _, inside = key.partition("{")
    labels = inside.removesuffix("}")
    *buckets, total_seconds = numbers
    counts = list(accumulate(buckets))
    for bound, count in zip([*map(repr, BOUNDS_SECONDS), "+Inf"], counts, strict=True):
        yield f'{name}_bucket{{{labels},le="{bound}"}} {_number(count)}'
    yield f"{name}_sum{{{labels}}} {total_seconds!r}"
    yield f"{name}_count{{{labels}}} {_number(counts[-1])}"


def _processes(workers: Iterable[Counted]) -> dict[str, list[float]]:
    facts = {}
    for worker in workers:
        if worker.pid is not None:
            for name, value in process_facts(worker.pid).items():
                facts[series(name, worker=worker.slot)] = [value]
    return facts


def exposition(workers: list[Counted], facts: Mapping[str, float]) -> bytes:
    """Return the text: sums of `workers`, their processes, and `facts` by their series."""
    found = {**_sums(workers), **{key: [value] for key, value in facts.items()}, **_processes(workers)}
    lines = []
    for name, (kind, told) in FAMILIES.items():
        keys = sorted(key for key in found if _name(key) == name)
        if keys:
            lines += [f"# HELP {name} {told}", f"# TYPE {name} {kind}"]
        for key in keys:
            if kind == "histogram":
                lines += _histogram(key, found[key])
            else:
                lines.append(f"{key} {_number(found[key][0])}")
    return ("\n".join(lines) + "\n").encode()
