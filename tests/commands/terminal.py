"""Commands on a terminal."""

import os
import pty
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).parents[2]


def on_terminal(arguments: list[str], environ: Mapping[str, str], sent: bytes = b"") -> bytes:
    """Return what `effort` with these arguments prints on a terminal, having been sent bytes by a pipe."""
    leader, follower = pty.openpty()
    plain = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "FORCE_COLOR"}}
    command = [sys.executable, "-m", "service", *arguments]
    shown = b""
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=follower, env={**plain, **environ}
    ) as process:
        os.close(follower)
        assert process.stdin is not None
        process.stdin.write(sent)
        process.stdin.close()
        try:
            while part := os.read(leader, 65536):
                shown += part
        except OSError:  # Linux says so when the other end is gone
            pass
    os.close(leader)
    assert process.returncode == 0
    return shown
