"""A task that is cancelled at one of its own suspensions: every moment can be tried, and none needs a clock."""

import asyncio
from collections.abc import Coroutine, Generator
from typing import Any


class CancelledAt:
    """`work`, whose task is cancelled `ticks` turns of the loop after its suspension number `step`, from 1; 0: never.

    And so after each of the following ones, `times` in all.
    """

    def __init__(self, work: Coroutine[Any, Any, None], step: int, ticks: int = 0, times: int = 1) -> None:
        self._work = work
        self._step = step
        self._ticks = ticks
        self._times = times

    def __await__(self) -> Generator[Any, Any, None]:
        """Run the work."""
        failure: BaseException | None = None
        steps = 0
        while True:
            try:
                waited = self._work.send(None) if failure is None else self._work.throw(failure)
            except StopIteration:
                return
            steps += 1
            if self._step and self._step <= steps < self._step + self._times:
                self._cancel(self._ticks)
            try:
                yield waited
                failure = None
            except BaseException as error:  # noqa: BLE001 - for the work to take
                failure = error

    def _cancel(self, ticks: int, task: asyncio.Task[Any] | None = None) -> None:
        whose = task or asyncio.current_task()
        if whose is None:
            raise RuntimeError("there is no task")
        if ticks == 0:
            whose.cancel()
        else:
            asyncio.get_running_loop().call_soon(self._cancel, ticks - 1, whose)
