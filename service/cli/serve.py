"""`effort serve`."""

import logging
import logging.config
import multiprocessing
import os
import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from time import monotonic

import click

from service.cli import worker_loop
from service.errors import SettingsInvalid
from service.observability.folders import workers_folder
from service.observability.logs import logging_configuration
from service.settings import FOLDER, SERVER, SETTINGS, Settings, read_settings

FACTORY = "service.app:create_worker"
LONGEST_HEAD_BYTES = 65_536  # request line and headers; refused by the server itself
TOLD_AGAIN_AFTER_SECONDS = 0.5
# Addresses of a database that are never refused. To read others takes a library whose import is a fifth of the start.
PLAIN_DATABASE = re.compile(
    r"sqlite:///[A-Za-z0-9_./-]{1,500}|postgresql://[a-z0-9_]+@[A-Za-z0-9.-]+(:[1-9][0-9]{0,3})?/[A-Za-z0-9_-]+"
)
_log = logging.getLogger("service.cli")


def check_port_is_free(host: str, port: int) -> None:
    """Raise SettingsInvalid when nothing can listen on the address."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with closing(socket.socket(family)) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise SettingsInvalid(
                f"cannot listen on {host}:{port} ({error.strerror}); choose another port with "
                "EFFORT_PORT or --port"
            ) from error


def check_what_workers_open(settings: Settings) -> None:
    """Raise SettingsInvalid for what workers could not open, before one is started: it could only die of it."""
    if PLAIN_DATABASE.fullmatch(settings.database_url) is None:
        from service.storage.database_url import parse_database_url  # noqa: PLC0415 - see PLAIN_DATABASE

        parse_database_url(settings.database_url)
    if not (settings.jwt_jwks or settings.redis_url or settings.otlp_endpoint):
        return  # what is below takes as long to import as everything else together
    from service.api.keyring import open_keyring  # noqa: PLC0415 - same
    from service.api.quotas import open_quotas  # noqa: PLC0415 - same
    from service.api.telling import spans_of  # noqa: PLC0415 - same
    from service.storage.engine import open_store  # noqa: PLC0415 - same

    open_keyring(settings, open_store(settings.database_url))
    open_quotas(settings, monotonic)
    spans_of(settings)


@contextmanager
def _metrics_in_common(settings: Settings) -> Iterator[None]:
    """Name the workers a folder for their metrics. Raises SettingsInvalid when none can be made."""
    os.environ.pop(FOLDER, None)
    if settings.metrics == "off":
        yield
        return
    with ExitStack() as stack:
        try:
            folder = stack.enter_context(workers_folder())
        except OSError as error:
            raise SettingsInvalid(
                f"no folder for metrics can be made ({error.strerror}): set TMPDIR to one that takes files, or "
                "EFFORT_METRICS=off"
            ) from error
        if folder is not None:
            os.environ[FOLDER] = str(folder)
        yield


@contextmanager
def _stop_is_heard(stopping: Callable[[], bool]) -> Iterator[None]:
    """Tell workers to stop again and again while the server is stopping.

    A worker that is still starting does not hear the first time: until its loop runs, nothing heeds a signal.
    """
    over = threading.Event()

    def tell() -> None:
        while not over.wait(TOLD_AGAIN_AFTER_SECONDS):
            if stopping():
                for worker in multiprocessing.active_children():
                    worker.terminate()

    teller = threading.Thread(target=tell, name="stop", daemon=True)
    teller.start()
    try:
        yield
    finally:
        over.set()
        teller.join()


def run_server(settings: Settings) -> None:
    """Serve until told to stop, then exit 0: what SIGTERM and Ctrl-C do stands in `service.api.lifecycle`.

    A worker that dies is replaced; one that dies again at once ends the server with exit 1.
    """
    from granian import Granian  # noqa: PLC0415 - starts a runtime; only the server needs it
    from granian.constants import HTTPModes, Interfaces  # noqa: PLC0415 - same
    from granian.http import HTTP1Settings  # noqa: PLC0415 - same
    from granian.log import LogLevels  # noqa: PLC0415 - same

    check_what_workers_open(settings)
    worker_loop.register()
    check_port_is_free(settings.host, settings.port)
    configuration = logging_configuration(settings.log_level)
    logging.config.dictConfig(configuration)
    os.environ[SERVER] = str(os.getpid())
    server = Granian(
        FACTORY,
        factory=True,
        address=settings.host,
        port=settings.port,
        interface=Interfaces.ASGI,
        workers=settings.workers,
        http=HTTPModes.http1,  # a proxy in front speaks it; with two runtime threads measured a fifth faster
        http1_settings=HTTP1Settings(max_buffer_size=LONGEST_HEAD_BYTES),
        runtime_threads=2,
        websockets=False,
        log_access=False,
        log_level=LogLevels(settings.log_level),
        log_dictconfig=configuration,
        respawn_failed_workers=True,
    )
    with _metrics_in_common(settings), _stop_is_heard(lambda: server.interrupt_signal):
        _log.info("serving on http://%s:%s", settings.host, settings.port)
        server.serve()


def _settings_help() -> str:
    lines = [f"{name} (default {default}): {text}" for name, default, text in SETTINGS]
    return "\b\nSettings, from the environment:\n" + "\n".join(f"  {line}" for line in lines)


@click.command("serve", epilog=_settings_help())
@click.option("--host", help="Overrides EFFORT_HOST.")
@click.option("--port", type=click.IntRange(1, 65_535), help="Overrides EFFORT_PORT.")
@click.option("--workers", type=click.IntRange(1, 256), help="Overrides EFFORT_WORKERS.")
def command(host: str | None, port: int | None, workers: int | None) -> None:
    """Serve the API on the database of EFFORT_DATABASE_URL, which `effort migrate` has prepared."""
    given = {"EFFORT_HOST": host, "EFFORT_PORT": port, "EFFORT_WORKERS": workers}
    os.environ.update({name: str(value) for name, value in given.items() if value is not None})
    settings = read_settings(os.environ)
    run_server(settings)
