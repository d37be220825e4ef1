"""Requests per second and CPU per request over HTTP, side by side. Needs wrk and the extra `bench`.

Each server runs alone on core 0 with one worker while wrk runs on core 1; the order turns round every time and the
median of the ratios per round is printed. Loopback only, bounded in time. See README.md beside this file.
"""

import json
import os
import re
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, closing
from pathlib import Path

from tests.ports import free_port

ROUNDS, SECONDS, CONNECTIONS = 5, 3, 32
PATH = "/v1/prescriptions?detail=brief"
BODY = json.dumps(
    {
        "exercise": "barbell_back_squat",
        "rep_target": 8,
        "load_percent_1rm": 77.5,
        "exercise_order": 2,
        "exercises_in_session": 5,
        "set_order": 2,
        "sets_in_exercise": 4,
        "experience": "intermediate",
        "exposures": 12,
        "goal": "hypertrophy",
        "hours_since_muscle_trained": 44,
        "failure_share_7d": 0.35,
        "safety_arms": True,
    }
)
LUA = """
wrk.method = "POST"
wrk.body = [[{body}]]
wrk.headers["content-type"] = "application/json"
wrk.headers["authorization"] = "Bearer {token}"
function delay() return {delay_ms} end
function done(_, latency, _)
  io.write(string.format("LATENCY %.0f %.0f\\n", latency:percentile(50), latency:percentile(99)))
end
"""
PEERS = {
    "bare ASGI on granian": ["granian", "--interface", "asgi", "tests.bench.peer_bare:app"],
    "FastAPI on granian": ["granian", "--interface", "asgi", "tests.bench.peer_fastapi:app"],
}


def _start(stack: ExitStack, command: list[str], port: int) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        ["taskset", "-c", "0", sys.executable, "-u", "-m", *command],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "EFFORT_RATE_LIMIT_PER_MINUTE": "10000000"},  # on, and never reached
    )
    stack.callback(process.wait)
    stack.callback(process.terminate)
    for _ in range(400):
        with closing(socket.socket()) as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return process
        time.sleep(0.05)
    raise RuntimeError(f"{command} did not start")


def _wrk(port: int, script: Path) -> str:
    command = ["taskset", "-c", "1", "wrk", "-t1", f"-c{CONNECTIONS}", f"-d{SECONDS}s", "-s", str(script)]
    told = subprocess.run(
        [*command, f"http://127.0.0.1:{port}{PATH}"], capture_output=True, text=True, check=True
    ).stdout
    if "Non-2xx" in told:
        raise RuntimeError(told)
    return told


def _requests_per_second(port: int, script: Path) -> float:
    told = _wrk(port, script)
    found = re.search(r"Requests/sec:\s+([\d.]+)", told)
    if found is None:
        raise RuntimeError(told)
    return float(found[1])


def _print_half_capacity(port: int, script: Path) -> None:
    """Print p50 and p99 while the callers pause so long that half of the capacity is asked for."""
    told = _wrk(port, script)
    found = re.search(r"LATENCY (\d+) (\d+)", told)
    if found is None:
        raise RuntimeError(told)
    p50, p99 = int(found[1]), int(found[2])
    print(f"at half of capacity: p50 {p50} us, p99 {p99} us, ratio {p99 / p50:.1f}")


def main() -> None:
    """Print requests per second of the service and its peers, and the ratios."""
    if shutil.which("wrk") is None:
        raise SystemExit("wrk is not installed")
    with ExitStack() as stack, tempfile.TemporaryDirectory() as folder:
        ports = {"service": free_port()}
        service = _start(stack, ["service", "demo", "--port", str(ports["service"])], ports["service"])
        token = next(line for line in service.stdout or () if line.startswith("API key: "))[9:].strip()
        script = Path(folder) / "post.lua"
        script.write_text(LUA.format(body=BODY, token=token, delay_ms=0), "utf-8")
        for name, command in PEERS.items():
            ports[name] = free_port()
            extra = ["--port", str(ports[name]), "--workers", "1", "--loop", "uvloop", "--no-ws"]
            _start(stack, [*command, *extra, "--log-level", "error"], ports[name])
        rates: dict[str, list[float]] = {name: [] for name in ports}
        for port in ports.values():
            _requests_per_second(port, script)  # warm up
        for turn in range(ROUNDS):
            for name in list(ports)[:: 1 if turn % 2 else -1]:
                rates[name].append(_requests_per_second(ports[name], script))
        pause = round(2 * CONNECTIONS / statistics.median(rates["service"]) * 1000)
        script.write_text(LUA.format(body=BODY, token=token, delay_ms=pause), "utf-8")
        _print_half_capacity(ports["service"], script)
    for name, found in rates.items():
        ratio = statistics.median(a / b for a, b in zip(rates["service"], found, strict=True))
        print(f"{name:<24} {statistics.median(found):8,.0f} requests/s   service/this {ratio:.2f}")
    print(f"{os.cpu_count()} cores; {ROUNDS} rounds of {SECONDS} s, {CONNECTIONS} connections")


if __name__ == "__main__":
    main()
