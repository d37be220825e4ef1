"""`effort demo`: everything on a temporary database, gone when it ends."""

import asyncio
import os
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID

import click

from service.api.learned import learn_anew
from service.cli.demo_gym import DemoLifter, demo_lifters
from service.cli.progress import progress
from service.cli.serve import check_port_is_free, run_server
from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.settings import read_settings
from service.storage.engine import Writing, close_store, open_store, writing
from service.storage.keys import create_key
from service.storage.lifters import put_lifter
from service.storage.migrate import migrate
from service.storage.performed_sets import CHUNK, insert_sets
from service.storage.tenancy import tenant_writing

TENANT = "harbour-street-gym"
SCOPES = ("prescribe", "history:read", "history:write", "admin")  # so that every operation can be tried
PAGE_SCOPES = ("prescribe", "history:read")  # whoever opens the page gets that key

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
    (
        "The next set of a lifter whose history is known: say only what you know",
        "/v1/lifters/otter-7/prescriptions?suggest_load=true",
        '{"exercise": "barbell_bench_press", "rep_target": 8, "load_kg": 80, "spotter": true}',
    ),
    (
        "A session of that lifter: what pressing to failure first would cost the triceps work",
        "/v1/lifters/otter-7/plan-prescriptions?detail=brief",
        (
            '{"sessions": [{"starts_at": "2027-01-04T18:00:00+01:00", "exercises": ['
            '{"exercise": "barbell_bench_press", "sets": [{"rep_target": 8, "load_percent_1rm": 78, '
            '"rest_seconds": 180, "reps_in_reserve": 0}]}, {"exercise": "cable_triceps_pushdown", '
            '"sets": [{"rep_target": 12, "load_percent_1rm": 70}]}]}]}'
        ),
    ),
    ("What was learned of that lifter", "/v1/lifters/otter-7/state", None),
    (
        "Prescribed against done, of the lifter who takes every set to failure",
        "/v1/lifters/badger-4/review",
        None,
    ),
)


async def _prepare(url: str, now: datetime) -> tuple[str, str, tuple[DemoLifter, ...]]:
    """Return a new key, one for the page, and the lifters who are in the store now, with all their sets."""
    policy = load_policies().newest
    basis = Basis(policy=policy, numbers=load_learning(policy))
    lifters = demo_lifters(now, policy, basis.numbers)
    store = open_store(url)
    try:
        async with writing(store) as session:
            made = await create_key(session, tenant=TENANT, scopes=SCOPES, now=now)
            page = await create_key(session, tenant=TENANT, scopes=PAGE_SCOPES, now=now)
        with progress("filling the gym", sum(len(lifter.sets) for lifter in lifters)) as advance:
            for lifter in lifters:
                async with tenant_writing(store, made.tenant_id) as w:
                    await _seed(w, made.tenant_id, lifter, basis, now)
                advance(len(lifter.sets))
        return made.token, page.token, lifters
    finally:
        await close_store(store)


async def _seed(w: Writing, tenant_id: UUID, lifter: DemoLifter, basis: Basis, now: datetime) -> None:
    told = lifter.profile
    await put_lifter(
        w,
        tenant_id,
        lifter.lifter_id,
        experience=told.experience,
        goal=told.goal,
        cautions=told.cautions or (),
        site=None,
        now=now,
    )
    for start in range(0, len(lifter.sets), CHUNK):
        await insert_sets(w, tenant_id, lifter.lifter_id, lifter.sets[start : start + CHUNK])
    await learn_anew(w, tenant_id, lifter.lifter_id, basis)


def _tell(base: str, token: str, lifters: tuple[DemoLifter, ...]) -> None:
    click.echo(f"API key: {token}")
    click.echo(f"\nServing on {base} (Ctrl-C stops; nothing is kept). Open it in a browser, or read on.\n")
    click.echo("Lifters of an invented gym, and what their histories show:\n")
    for lifter in lifters:
        click.echo(f"  {lifter.lifter_id:<11} {lifter.story}")
    click.echo("\nPaste into another terminal:\n")
    for what, path, body in CALLS:
        sent = f"-H 'Content-Type: application/json' -d '{body}'" if body else ""
        click.echo(f"# {what}")
        click.echo(f"curl -s '{base}{path}' -H 'Authorization: Bearer {token}' {sent}".rstrip() + "\n")


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
        os.environ.setdefault("EFFORT_LOG_LEVEL", "warning")  # what is printed is for a reader
        if port is not None:
            os.environ["EFFORT_PORT"] = str(port)
        settings = read_settings(os.environ)
        check_port_is_free(settings.host, settings.port)
        migrate(settings.database_url)
        token, page_token, lifters = asyncio.run(_prepare(settings.database_url, datetime.now(UTC)))
        os.environ |= {
            "EFFORT_PAGE_KEY": page_token,
            "EFFORT_PAGE_LIFTERS": "; ".join(f"{each.lifter_id}: {each.story}" for each in lifters),
        }
        _tell(f"http://{settings.host}:{settings.port}", token, lifters)
        run_server(settings)
