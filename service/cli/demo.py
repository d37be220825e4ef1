"""`effort demo`: everything on a temporary database, gone when it ends."""

import asyncio
import os
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from service.cli.serve import check_port_is_free, run_server
from service.settings import read_settings
from service.storage.engine import close_store, open_store, writing
from service.storage.keys import create_key
from service.storage.migrate import migrate

TENANT = "harbour-street-gym"

# Invented lifters of an invented gym, one call each.
CALLS = (
    (
        "A novice's first heavy exercise of the day",
        "/v1/prescriptions?detail=brief",
        (
            '{"exercise": "barbell_back_squat", "rep_target": 8, "load_percent_1rm": 75, "exercise_order": 1, '
            '"exercises_in_session": 5, "experience": "novice", "exposures": 0, "safety_arms": true}'
        ),
    ),
    (
        "An advanced lifter's last light set",
        "/v1/prescriptions",
        (
            '{"exercise": "leg_extension", "rep_target": 15, "exercise_order": 5, "exercises_in_session": 5, '
            '"set_order": 3, "sets_in_exercise": 3, "experience": "advanced", "exposures": 40}'
        ),
    ),
    (
        "The load for 8 reps with 2 in reserve",
        "/v1/estimates/load",
        '{"one_rep_max_kg": 120, "rep_target": 8, "reps_in_reserve": 2, "exercise": "barbell_bench_press"}',
    ),
)


async def _make_key(url: str) -> str:
    store = open_store(url)
    try:
        async with writing(store) as session:
            made = await create_key(session, tenant=TENANT, scopes=("prescribe",), now=datetime.now(UTC))
        return made.token
    finally:
        await close_store(store)


def _tell(base: str, token: str) -> None:
    click.echo(f"API key: {token}")
    click.echo(f"\nServing on {base} (Ctrl-C stops; nothing is kept). Paste into another terminal:\n")
    for what, path, body in CALLS:
        click.echo(f"# {what}")
        click.echo(
            f"curl -s '{base}{path}' -H 'Authorization: Bearer {token}' "
            f"-H 'Content-Type: application/json' -d '{body}'\n"
        )


@click.command("demo")
@click.option("--port", type=click.IntRange(1, 65_535), help="Overrides EFFORT_PORT.")
def command(port: int | None) -> None:
    """Serve on this machine only, with a fresh key on a temporary database; prints calls to paste."""
    with TemporaryDirectory(prefix="effort-demo-") as folder:
        os.environ |= {
            "EFFORT_DATABASE_URL": f"sqlite:///{Path(folder) / 'demo.db'}",
            "EFFORT_HOST": "127.0.0.1",
            "EFFORT_WORKERS": "1",
        }
        if port is not None:
            os.environ["EFFORT_PORT"] = str(port)
        settings = read_settings(os.environ)
        check_port_is_free(settings.host, settings.port)
        migrate(settings.database_url)
        token = asyncio.run(_make_key(settings.database_url))
        _tell(f"http://{settings.host}:{settings.port}", token)
        run_server(settings)
