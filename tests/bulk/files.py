"""Input files, runs of the command on them, and what stands in the folder afterwards."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq

from service.bulk.chunks import policies
from tests.bulk.random_contexts import random_columns


class Ended(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


def bulk(*arguments: object, environment: dict[str, str] | None = None) -> Ended:
    """Run `effort bulk` in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "service", "bulk", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env=environment,
    )
    return Ended(done.returncode, done.stdout, done.stderr)


def some_rows(rows: int, seed: int = 1) -> pa.Table:
    """Random contexts, each hundredth of them no context at all."""
    batch = random_columns(rows, seed, policies())
    reps = batch.column("rep_target").to_numpy().copy()
    reps[::100] = 0
    return pa.table(batch.set_column(batch.schema.names.index("rep_target"), "rep_target", pa.array(reps)))


def many_rows(rows: int) -> pa.Table:
    """Plain contexts, quickly made: for runs that must last."""
    random = np.random.default_rng(1)
    return pa.table(
        {
            "lifter_id": pa.array(np.arange(rows) // 20),
            "rep_target": pa.array(random.integers(1, 31, rows).astype(np.int8)),
            "load_percent_1rm": pa.array(random.uniform(40, 95, rows)),
            "hours_since_muscle_trained": pa.array(random.uniform(10, 90, rows)),
        }
    )


def parts(out: Path) -> list[Path]:
    """The part files, in order."""
    return sorted(out.glob("part-*"))


def read_parts(out: Path) -> pa.Table:
    """All answers, texts as texts."""
    found = []
    for path in parts(out):
        if path.suffix == ".parquet":
            found.append(pq.read_table(path))
        else:
            read = pa.ipc.open_file if path.suffix == ".arrow" else pa.ipc.open_stream
            with path.open("rb") as file:
                found.append(read(file).read_all())
    plain = pa.schema(
        [
            pa.field(field.name, field.type.value_type if pa.types.is_dictionary(field.type) else field.type)
            for field in found[0].schema
        ]
    )
    return pa.concat_tables([table.cast(plain) for table in found])


def refused_lines(out: Path) -> list[dict[str, Any]]:
    """The refused rows, in order."""
    paths = sorted((out / "_refused").glob("*.jsonl"))
    return [json.loads(line) for path in paths for line in path.read_text("utf-8").splitlines()]


def contents(out: Path) -> dict[str, bytes]:
    """Every file of answers and refusals, byte for byte."""
    paths = [*parts(out), *sorted((out / "_refused").iterdir())]
    return {str(path.relative_to(out)): path.read_bytes() for path in paths}
