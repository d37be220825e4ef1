"""Units on a Dask cluster that is there already. Its workers see input and output under the same names."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from distributed import Client, KilledWorker, as_completed
from distributed.comm.addressing import parse_address, parse_host_port
from distributed.comm.registry import get_backend

from service.bulk.chunks import known_digests
from service.bulk.file_work import FileWork
from service.bulk.manifest import MANIFEST
from service.bulk.parts import Done
from service.bulk.work import Work, do_unit
from service.errors import Fault, InputRefused

PATIENCE_SECONDS = 20
# A worker that dies is not the unit's fault: the cluster gives the unit to another. A unit that fails is tried again.
RETRIES = 2


def do_here(work: Work, out: str, unit: int) -> Done | str:
    """Do one unit on a worker; what is refused comes back in words, for no such error survives being sent."""
    if isinstance(work, FileWork) and work.digests != known_digests():
        return "a worker has other policies: install the same release on every worker"
    if not (Path(out) / MANIFEST).exists():
        return f"a worker does not see {out}: input and output must lie where all workers see them"
    try:
        return do_unit(work, Path(out), unit)
    except InputRefused as error:
        return str(error)


def _check_address(address: str) -> None:
    """Raise ValueError for what is no address; a client of one would wait for the end of its time before it stops."""
    scheme, place = parse_address(address)
    get_backend(scheme)
    parse_host_port(place)


class OnCluster:
    """Does units on the cluster whose scheduler is at `address`."""

    def __init__(self, address: str) -> None:
        self.address = address

    def _refused(self, told: str) -> InputRefused:
        return InputRefused((Fault(self.address, told, "scheduler"),))

    def __call__(self, work: Work, out: Path, units: list[int]) -> Iterator[Done]:
        """Yield units as they are done. Raises InputRefused when there is no scheduler or a unit cannot be done."""
        if not units:
            return
        try:
            _check_address(self.address)
        except ValueError as error:
            raise self._refused(f"is no address such as tcp://10.0.0.1:8786: {str(error)[:120]}") from error
        try:
            client = Client(self.address, timeout=PATIENCE_SECONDS, set_as_default=False)
        except (OSError, ValueError) as error:
            raise self._refused(f"no scheduler answers there: {str(error)[:120]}") from error
        with client:
            futures = [
                client.submit(do_here, work, str(out.resolve()), unit, pure=False, retries=RETRIES)
                for unit in units
            ]
            for future in as_completed(futures, loop=client.loop):
                yield self._done(future)

    def _done(self, future: Any) -> Done:
        try:
            done: Done | str = future.result()
        except KilledWorker as error:
            raise self._refused(f"workers died of a unit again and again: {str(error)[:200]}") from error
        if isinstance(done, str):
            raise self._refused(done)
        return done
