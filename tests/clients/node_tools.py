"""Programs of the Node ecosystem at the versions of `package-lock.json`, installed once into a cache folder."""

import os
import shutil
import subprocess
import tempfile
from hashlib import sha256
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PINNED = ("package.json", "package-lock.json", ".npmrc")
OFFLINE = HERE / "offline.cjs"
QUIET = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true", "NO_COLOR": "1"}


def node_tools() -> Path:
    """Return the folder that holds `node_modules`. Without Node: skips the test, but fails it in CI."""
    missing = [name for name in ("node", "npm") if shutil.which(name) is None]
    if missing:
        told = f"needs {' and '.join(missing)} (Node 20 or newer)"
        assert not os.environ.get("CI"), told
        pytest.skip(told)
    digest = sha256(b"".join((HERE / name).read_bytes() for name in PINNED)).hexdigest()[:16]
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "effort-prescription"
    folder = cache / f"node-{digest}"
    if not folder.exists():
        cache.mkdir(parents=True, exist_ok=True)
        _install(folder)
    return folder


def _install(folder: Path) -> None:
    """Make the folder whole or not at all; of several that do it at once one wins."""
    made = Path(tempfile.mkdtemp(dir=folder.parent, prefix="installing-"))
    try:
        for name in PINNED:
            shutil.copyfile(HERE / name, made / name)
        subprocess.run(["npm", "ci"], cwd=made, check=True, stdout=subprocess.DEVNULL)
        try:
            made.rename(folder)
        except OSError:
            assert folder.exists()
    finally:
        shutil.rmtree(made, ignore_errors=True)


def run_offline(*command: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run one of the programs, or node itself; it is ended with 86 when it reaches for the network."""
    bins = node_tools() / "node_modules" / ".bin"
    environ = {**os.environ, **QUIET, "PATH": f"{bins}{os.pathsep}{os.environ['PATH']}"}
    return subprocess.run(
        [shutil.which(command[0], path=environ["PATH"]) or command[0], *command[1:]],
        cwd=cwd,
        env={**environ, "NODE_OPTIONS": f"--require={OFFLINE}"},
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
