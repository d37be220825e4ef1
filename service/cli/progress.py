"""Bars for who waits at a terminal."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Advance = Callable[[int], None]


@contextmanager
def progress(task: str, total: int | None, *, wanted: bool = True) -> Iterator[Advance]:
    """A bar on a terminal when it is wanted, nothing elsewhere. Without `total` it only shows that something moves."""
    if not wanted or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console  # noqa: PLC0415 - only for people; programs see no bar
    from rich.progress import Progress  # noqa: PLC0415 - same

    with Progress(console=Console(stderr=True), transient=True) as bar:
        shown = bar.add_task(task, total=total)
        yield lambda count: bar.advance(shown, count)
