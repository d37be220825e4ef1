"""Fault tests: asked for by EFFORT_OPS=1 (or the long form) until the server ends well when told so while it starts.

Figures are told at the end of the run.
"""

import os

import pytest

from tests.ops.aftermath import LONG, TOLD

if not (LONG or os.environ.get("EFFORT_OPS")):
    collect_ignore_glob = ["test_*.py"]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was used and what was counted."""
    if TOLD:
        terminalreporter.section(f"fault tests, {'long' if LONG else 'short'} form")
        for line in TOLD:
            terminalreporter.line(line)
