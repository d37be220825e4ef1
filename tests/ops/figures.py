"""Fault tests: their figures are told at the end of the run, also where several processes ran them."""

from typing import Any

import pytest

from tests.ops.aftermath import LONG, TOLD

KEPT = "told_by_fault_tests"


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand the figures of a process that ran a part of the tests to the one that prints."""
    output: dict[str, list[str]] | None = getattr(session.config, "workeroutput", None)
    if output is not None:
        output[KEPT] = TOLD


class Collector:
    """Takes the figures of each process that ends."""

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """Take them."""
        TOLD.extend(getattr(node, "workeroutput", {}).get(KEPT, []))


def pytest_configure(config: pytest.Config) -> None:
    """Take part in what happens to other processes, if there are any."""
    config.pluginmanager.register(Collector())


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was used and what was counted."""
    if TOLD:
        terminalreporter.section(f"fault tests, {'long' if LONG else 'short'} form")
        for line in TOLD:
            terminalreporter.line(line)
