"""The event loop of a worker: each handler of a signal is called once, however often the signal comes.

The server's own handler blocks its worker for ever when it is called a third time while requests are finished. A
terminal, a supervisor and the server itself may each tell a worker to stop.
"""

import asyncio
from collections.abc import Callable
from typing import Any

try:
    import uvloop
except ImportError:  # Windows: signals do not come by the loop there
    uvloop = None  # type: ignore[assignment]  # the name stands for "not installed"


def register() -> None:
    """Make it the loop of the servers started from now on, where signals come by the loop."""
    from granian import loops  # noqa: PLC0415 - starts a runtime; only the server needs it

    if uvloop is None:
        return

    class WorkerLoop(uvloop.Loop):
        """A loop that calls a handler for the first signal that it heeds, and no more."""

        def __init__(self) -> None:
            super().__init__()
            self._called: set[Callable[..., Any]] = set()

        def add_signal_handler(self, sig: int, callback: Callable[..., Any], *args: Any) -> None:  # type: ignore[override]  # as the servers call it
            def called_once() -> None:
                if callback not in self._called:
                    self._called.add(callback)
                    callback(*args)

            super().add_signal_handler(sig, called_once)

    def build() -> asyncio.AbstractEventLoop:
        loop = WorkerLoop()
        asyncio.set_event_loop(loop)
        return loop

    loops.register("auto")(build)
