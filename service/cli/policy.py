"""`effort policy list|show|check`."""

import click
import msgspec

from service.api.catalogues import policy_detail
from service.policy.catalogue import DATA, drafts, load_policies, read_version
from service.rules.compiled import Policy
from service.rules.curves import Curve, Table
from service.rules.policy import Factor


@click.group("policy")
def command() -> None:
    """List, show and check the numbers prescriptions are computed from."""


@command.command("list")
def show_all() -> None:
    """List policy versions with their digests, oldest first. The last released one is the default."""
    for policy in load_policies(with_drafts=True).versions:
        draft = "  draft" if policy.version in drafts() else ""
        click.echo(f"{policy.version}  {policy.ref.digest}{draft}")


def _number(value: float) -> str:
    return f"{value:+g}"


def _rows(factor: Factor) -> list[str]:
    shape = factor.shape
    if isinstance(shape, Table):
        return [
            f"{', '.join(str(part) for part in key)}: {_number(level.effect_reps)}"
            for key, level in shape.levels.items()
            if level.effect_reps
        ]
    if isinstance(shape, Curve):
        return [f"{x:g}: {_number(y)}" for x, y in zip(shape.xs, shape.ys, strict=True)]
    head = f"columns {', '.join(f'{c:g}' for c in shape.columns)}"
    lines = zip(shape.rows, shape.values, strict=True)
    return [head, *(f"{row:g}: {', '.join(_number(v) for v in values)}" for row, values in lines)]


def _show(policy: Policy) -> None:
    data = policy.data
    click.echo(f"policy {policy.version}  {policy.ref.digest}")
    for factor in data.factors:
        click.echo(f"\n{factor.name}: {factor.title} [repetitions]")
        click.echo(f"  reads {', '.join(factor.inputs)}; grade {factor.source.grade}")
        click.echo(f"  sources {', '.join(factor.source.evidence) or 'none: ' + factor.source.grade}")
        for row in _rows(factor):
            click.echo(f"    {row}")
    click.echo("\nwindows [repetitions in reserve]")
    for window in data.limits.windows:
        new = f", {window.high_when_new:g} when new" if window.high_when_new != window.high else ""
        click.echo(f"    {window.from_reps}-{window.to_reps} reps: {window.low:g} to {window.high:g}{new}")
    click.echo("\nsafety floors [repetitions in reserve]")
    for floor in data.limits.floors:
        short = f" (up to {floor.up_to_reps} reps)" if floor.up_to_reps else ""
        click.echo(f"    {floor.code}{short}: {floor.reps:g}")


@command.command("show")
@click.argument("version", required=False)
@click.option("--json", "as_json", is_flag=True, help="All data as JSON.")
def show(version: str | None, as_json: bool) -> None:
    """Show one version's factors, windows and floors; the newest when none is named. Drafts too."""
    policy = load_policies(with_drafts=version in drafts()).get(version)
    if as_json:
        body = msgspec.json.encode(policy_detail(policy))
        click.echo(msgspec.json.format(body, indent=2).decode())
        return
    _show(policy)


@command.command("check")
def check() -> None:
    """Check all data: gaps, sources, laws, texts, frozen digests. Prints what to freeze for a draft."""
    for policy in load_policies(with_drafts=True).versions:
        if policy.version not in drafts():
            click.echo(f"{policy.version}  released, unchanged")
    for version in drafts():
        digest = read_version(DATA, version).digest
        click.echo(f'{version}  draft, complete; to release it add to released.toml:  {version} = "{digest}"')
