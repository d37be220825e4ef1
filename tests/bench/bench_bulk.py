"""Contexts a second in memory and Parquet to Parquet, memory by size of file. See README.md beside this file."""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from service.bulk.chunks import policies
from service.bulk.columns import Doubts, rows_of
from service.bulk.evaluate import targets
from service.bulk.file_work import file_work
from service.bulk.members import flattened
from service.bulk.tables import tables_of
from service.bulk.work import do_unit
from service.rules.context import SetContext
from service.rules.prescribe import prescribe_brief
from tests.bulk.random_contexts import random_columns, without_nulls

ROWS, ROUNDS = 1 << 21, 3
SIZES = (250_000, 1_000_000, 4_000_000)
PEAK = """
import sys
from service.cli import effort
try:
    effort(sys.argv[1:])
except SystemExit:
    pass
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


def usual_table(rows: int) -> pa.Table:
    """Contexts as a chain would send them: sixteen columns, loads and hours as people write them."""
    random = np.random.default_rng(1)

    def words(*texts: str) -> pa.Array:
        codes = random.integers(0, len(texts), rows).astype(np.int32)
        return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(texts))

    exercises, sets = random.integers(3, 9, rows), random.integers(2, 6, rows)
    return pa.table(
        {
            "lifter_id": pa.array(np.arange(rows) // 20),
            "rep_target": pa.array(random.integers(4, 21, rows).astype(np.int8)),
            "load_percent_1rm": pa.array(np.round(random.uniform(50, 90, rows) * 2) / 2),
            "exercise": words(*policies().newest.data.exercises),
            "exercise_order": pa.array(random.integers(1, exercises + 1).astype(np.int16)),
            "exercises_in_session": pa.array(exercises.astype(np.int16)),
            "set_order": pa.array(random.integers(1, sets + 1).astype(np.int16)),
            "sets_in_exercise": pa.array(sets.astype(np.int16)),
            "later_overlapping_sets": pa.array(np.round(random.uniform(0, 12, rows) * 2) / 2),
            "experience": words("novice", "intermediate", "advanced"),
            "exposures": pa.array(random.integers(0, 40, rows).astype(np.float64)),
            "goal": words("hypertrophy", "strength"),
            "hours_since_muscle_trained": pa.array(np.round(random.uniform(20, 120, rows), 1)),
            "failure_share_7d": pa.array(np.round(random.uniform(0, 0.6, rows), 2)),
            "deload": pa.array(random.random(rows) < 0.1),
            "cautions": pa.array([["age_65_or_over"] if at % 10 == 0 else None for at in range(rows)]),
        }
    )


def processor_seconds(work: Callable[[], object]) -> tuple[float, float]:
    """Return the least processor time and the least time by the clock of a few calls [s]."""
    times = []
    for _ in range(ROUNDS):
        processor, clock = time.process_time(), time.perf_counter()
        work()
        times.append((time.process_time() - processor, time.perf_counter() - clock))
    return min(each for each, _ in times), min(each for _, each in times)


def told(what: str, rows: int, seconds: tuple[float, float]) -> None:
    """Print one line."""
    processor, clock = seconds
    each = processor / rows * 1e9
    print(
        f"{what:44s}{rows / processor / 1e6:8.2f} M/s a core{each:8.0f} ns a row{rows / clock / 1e6:8.2f} M/s"
    )


def in_memory() -> None:
    """Targets of columns that are in memory, with usual contexts and with every member random."""
    tables = tables_of(policies().newest)
    random = random_columns(200_000, 1, policies()).drop_columns(["policy"])
    for what, batch in (
        ("usual", usual_table(ROWS).combine_chunks().to_batches()[0]),
        ("every member random", random),
    ):
        flat, neutral = flattened(batch), tables.categorical.neutral
        rows = rows_of(flat, tables.policy.data, neutral, Doubts(len(batch)))
        told(
            f"targets in memory, {what}",
            len(batch),
            processor_seconds(lambda rows=rows: targets(rows, tables)),
        )
    contexts = [
        SetContext(rep_target=row["rep_target"], load_percent_1rm=row["load_percent_1rm"])
        for row in map(
            without_nulls, random.slice(0, 20_000).select(["rep_target", "load_percent_1rm"]).to_pylist()
        )
        if "load_percent_1rm" in row
    ]
    one_by_one = processor_seconds(lambda: [prescribe_brief(each, tables.policy) for each in contexts])
    told("the core one by one (prescribe_brief)", len(contexts), one_by_one)


def file_to_file(folder: Path) -> None:
    """Parquet to Parquet with the whole ledger, one process."""
    pq.write_table(usual_table(ROWS), folder / "in.parquet", row_group_size=1 << 19)
    work = file_work(folder / "in.parquet", policy=None, keep=(), texts=False, form=None)
    out = folder / "out"
    for inner in (out, out / "_done", out / "_refused"):
        inner.mkdir()
    _ = work.schema
    told(
        "Parquet to Parquet, whole ledger",
        ROWS,
        processor_seconds(lambda: [do_unit(work, out, unit) for unit in range(work.units)]),
    )


def memory(folder: Path) -> None:
    """Peak of memory of the command, by rows of one single row group of random numbers."""
    print("\n     rows   file MB   peak MiB")
    for rows in SIZES:
        random = np.random.default_rng(1)
        columns = {"rep_target": pa.array(random.integers(1, 31, rows).astype(np.int8))}
        columns |= {f"carried_{number}": pa.array(random.random(rows)) for number in range(8)}
        source = folder / f"{rows}.parquet"
        pq.write_table(pa.table(columns), source, row_group_size=rows, use_dictionary=False)
        command = [sys.executable, "-c", PEAK, "bulk", str(source), str(folder / str(rows))]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        print(f"{rows:9d}{source.stat().st_size / 1e6:10.0f}{int(done.stdout) / 1024:11.0f}")
        source.unlink()


def main() -> None:
    """Print all."""
    in_memory()
    with tempfile.TemporaryDirectory() as folder:
        file_to_file(Path(folder))
        memory(Path(folder))


if __name__ == "__main__":
    main()
