"""Figures of the fault tests, told at the end of the run."""

import pytest

from tests.ops.aftermath import LONG, TOLD


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was used and what was counted."""
    if TOLD:
        terminalreporter.section(f"fault tests, {'long' if LONG else 'short'} form")
        for line in TOLD:
            terminalreporter.line(line)
