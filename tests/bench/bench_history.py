"""Prescriptions from history and posted sets over HTTP: requests a second, processor time a request, ratios of one run.

    .venv/bin/python -m tests.bench.bench_history [sqlite|postgresql]

The service and its peer (`peer_history`: the fast path and a raw read) take turns on core 0, wrk and PostgreSQL have
the other. Processor time is that of the service alone. Needs wrk. See README.md beside this file.
"""

import asyncio
import json
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple, cast

from service.storage.keys import NewKey
from tests.bench.bench_http import _start
from tests.bench.histories import seed
from tests.databases import KINDS, Kind, fresh_database
from tests.ports import free_port
from tests.serving import make_key

ROUNDS, SECONDS, CONNECTIONS = 5, 3, 16
LIFTER, SETS = "lark-4", 600
CONTEXT = {"exercise": "barbell_bench_press", "rep_target": 8, "load_kg": 80, "set_order": 2}
STATELESS = {
    "exercise": "barbell_bench_press",
    "rep_target": 8,
    "load_percent_1rm": 75,
    "set_order": 2,
    "exposures": 4,
}
ASK = """
wrk.method = "POST"
wrk.body = [[{body}]]
wrk.headers["content-type"] = "application/json"
wrk.headers["authorization"] = "Bearer {token}"
"""
# Every request is one more session of the next lifter in a ring, later than that lifter's last, under a key of its own.
POST = """
local n, run = 0, os.getenv("BENCH_RUN")
local headers = {{["content-type"] = "application/json", ["authorization"] = "Bearer {token}"}}
request = function()
  n = n + 1
  local sets = {{}}
  for place = 1, {sets} do
    local at = os.date("!%Y-%m-%dT%H:%M:%SZ", 1700000000 + n * 600 + place * 20)
    sets[place] = '{{"performed_at": "' .. at .. '", "exercise": "leg_press", "load_kg": 120, "reps": 8, ' ..
      '"set_endpoint": "planned_stop", "reported_rir": 2, "set_order": ' .. place .. '}}'
  end
  headers["idempotency-key"] = run .. "-" .. n
  local path = "/v1/lifters/" .. run .. "-" .. (n % 500) .. "/sets"
  return wrk.format("POST", path, headers, '{{"sets": [' .. table.concat(sets, ",") .. ']}}')
end
"""


class Rate(NamedTuple):
    """Requests a second, and processor time of the server for each [us]."""

    per_second: float
    cpu_us: float


def _cpu_seconds(process: int) -> float:
    """Processor time of a process and its children so far [s]."""
    children = Path(f"/proc/{process}/task/{process}/children").read_text("ascii").split()
    fields = Path(f"/proc/{process}/stat").read_text("ascii").rpartition(")")[2].split()
    own = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return own + sum(_cpu_seconds(int(child)) for child in children)


def _rate(process: int, port: int, path: str, script: Path, run: str) -> Rate:
    command = ["taskset", "-c", "1", "wrk", "-t1", f"-c{CONNECTIONS}", f"-d{SECONDS}s", "-s", str(script)]
    before = _cpu_seconds(process)
    told = subprocess.run(
        [*command, f"http://127.0.0.1:{port}{path}"],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"BENCH_RUN": run},
    ).stdout
    spent = _cpu_seconds(process) - before
    count, rate = re.search(r"(\d+) requests in", told), re.search(r"Requests/sec:\s+([\d.]+)", told)
    if "Non-2xx" in told or count is None or rate is None:
        raise RuntimeError(told)
    return Rate(float(rate[1]), spent / int(count[1]) * 1e6)


def _serve(stack: ExitStack, url: str, key: NewKey) -> dict[str, tuple[int, int]]:
    """Start the service and its peer; process and port of each."""
    os.environ |= {
        "EFFORT_DATABASE_URL": url,
        "EFFORT_RATE_LIMIT_PER_MINUTE": "0",
        "EFFORT_LOG_LEVEL": "warning",
        "BENCH_TENANT": str(key.tenant_id),
        "BENCH_LIFTER": LIFTER,
    }
    found = {}
    peer = [
        "granian",
        "--interface",
        "asgi",
        "--workers",
        "1",
        "--loop",
        "uvloop",
        "--no-ws",
        "tests.bench.peer_history:app",
    ]
    for name, command in {
        "service": ["service", "serve"],
        "peer": [*peer, "--log-level", "error", "--port"],
    }.items():
        port = free_port()
        os.environ["EFFORT_PORT"] = str(port)
        process = _start(stack, command if name == "service" else [*command, str(port)], port)
        found[name] = process.pid, port
    return found


def _measure(kind: Kind) -> dict[str, list[Rate]]:
    with ExitStack() as stack:
        url = stack.enter_context(fresh_database(kind))
        key = asyncio.run(make_key(url, "prescribe", "history:read", "history:write"))
        asyncio.run(seed(url, key.tenant_id, LIFTER, SETS))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        calls = {
            "prescription from history": (
                "service",
                f"/v1/lifters/{LIFTER}/prescriptions?detail=brief",
                ASK,
                CONTEXT,
            ),
            "fast path and a raw read": ("peer", "/v1/prescriptions?detail=brief", ASK, STATELESS),
            "fast path alone": ("service", "/v1/prescriptions?detail=brief", ASK, STATELESS),
            "one set posted": ("service", "/", POST, 1),
            "a session of 20 sets posted": ("service", "/", POST, 20),
        }
        for name, (_, _, script, content) in calls.items():
            told = {"body": json.dumps(content)} if script is ASK else {"sets": content}
            (folder / name).write_text(script.format(token=key.token, **told), "utf-8")
        servers = _serve(stack, url, key)
        rates: dict[str, list[Rate]] = {name: [] for name in calls}
        for turn in range(ROUNDS + 1):  # the first warms up
            for name, (server, path, *_) in list(calls.items())[:: 1 if turn % 2 else -1]:
                run = f"{name.split()[0]}{turn}"
                rates[name].append(_rate(*servers[server], path, folder / name, run))
        return {name: found[1:] for name, found in rates.items()}


def main() -> None:
    """Print rates, processor time, and what they are against each other."""
    if shutil.which("wrk") is None:
        raise SystemExit("wrk is not installed")
    print(
        f"Python {platform.python_version()}, {os.cpu_count()} cores, {CONNECTIONS} connections, {ROUNDS} x {SECONDS} s"
    )
    for kind in [cast("Kind", kind) for kind in sys.argv[1:2]] or list(KINDS):
        rates = _measure(kind)
        for name, found in rates.items():
            per_second, cpu = (statistics.median(values) for values in zip(*found, strict=True))
            print(f"{kind:<10} {name:<28} {per_second:7,.0f} requests/s {cpu:6,.0f} us of processor each")
        pairs = (
            ("prescription from history", "fast path and a raw read"),
            ("a session of 20 sets posted", "one set posted"),
        )
        for one, other in pairs:
            turns = list(zip(rates[one], rates[other], strict=True))
            rate = statistics.median(a.per_second / b.per_second for a, b in turns)
            cpu = statistics.median(a.cpu_us / b.cpu_us for a, b in turns)
            print(f"{kind:<10} {one} / {other}: rate {rate:.2f}, processor time {cpu:.2f}")


if __name__ == "__main__":
    main()
