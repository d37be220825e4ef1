"""`effort serve`."""

import os
import socket
from contextlib import closing

import click

from service.errors import SettingsInvalid
from service.settings import SETTINGS, Settings, read_settings

FACTORY = "service.app:create_app_from_environment"


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


def run_server(settings: Settings) -> None:
    """Serve until told to stop: SIGTERM and Ctrl-C let requests in flight finish."""
    from granian import Granian  # noqa: PLC0415 - starts a runtime; only the server needs it
    from granian.constants import HTTPModes, Interfaces  # noqa: PLC0415 - same

    check_port_is_free(settings.host, settings.port)
    Granian(
        FACTORY,
        factory=True,
        address=settings.host,
        port=settings.port,
        interface=Interfaces.ASGI,
        workers=settings.workers,
        http=HTTPModes.http1,  # a proxy in front speaks it; with two runtime threads measured a fifth faster
        runtime_threads=2,
        websockets=False,
        log_access=False,
    ).serve()


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
    click.echo(f"serving on http://{settings.host}:{settings.port} (Ctrl-C stops)", err=True)
    run_server(settings)
