"""A Chromium that is installed: named by EFFORT_CHROMIUM, found on PATH, or in CI installed by apt where it may be."""

import os
import shutil
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "microsoft-edge")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
MOST_SECONDS = 600
MISSING = "no Chromium: install one, or name it with EFFORT_CHROMIUM"


def _named() -> str | None:
    given = os.environ.get("EFFORT_CHROMIUM")
    return given or next(filter(None, map(shutil.which, NAMES)), None)


def _install() -> None:
    """Install Chromium as a package of the system, where that can be had; once, however many processes test."""
    import fcntl  # noqa: PLC0415 - not everywhere, but wherever there is apt

    with (Path(tempfile.gettempdir()) / "effort-tests-chromium.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if _named() is None:
            _apt()


def _apt() -> None:
    quiet = {"env": {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}, "stdout": subprocess.DEVNULL}
    for command in (("update", "-qq"), ("install", "-y", "-qq", "--no-install-recommends", "chromium")):
        subprocess.run(["apt-get", *command], check=False, timeout=MOST_SECONDS, **quiet)  # type: ignore[call-overload]  # keywords of run


@cache
def chromium() -> str:
    """Return the path of a browser. Without one CI fails, and a developer's tests of the page are skipped."""
    in_ci = os.environ.get("CI", "").lower() == "true"
    if _named() is None and in_ci and shutil.which("apt-get") and _is_root():
        _install()
    found = _named()
    if found is None and in_ci:
        pytest.fail(MISSING)
    if found is None:
        pytest.skip(MISSING)
    return found


def _is_root() -> bool:
    return sys.platform != "win32" and os.geteuid() == 0
