"""`effort bulk IN OUT`."""

import sys
import time
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import msgspec

from service.cli.progress import progress

if TYPE_CHECKING:
    from service.bulk.work import Summary, Work

NEEDED = ("numpy", "pyarrow", "distributed")
SOME_REFUSED = 1
HELP = """Answer every row of a file of set contexts, or everyone's next session.

IN is a Parquet file, an Arrow file or an Arrow stream. Its columns are named as the members of a set context (POST
/v1/prescriptions); nested ones are structs, or named with a dot (exercise_traits.joints). A column that is not there,
and null, mean left out. Any other column is carried through, but for one that looks like a slip of a member.

OUT is a folder: part files, _refused/ with the rows that are not valid, each with its number and every reason, and
what is needed to go on when the run is stopped: the same command again does what is left, and nothing twice.

With --from-history IN is a plan, as `effort plan` takes it, and rows are the sets of its session for every lifter of
the site, filled from their histories as POST /v1/lifters/{lifter_id}/prescriptions fills them.

Exit codes: 0 every row has an answer; 1 the run is whole, and some rows were refused; 2 nothing could be done, or not
all: the reason is on standard error.
"""


def check_extra() -> None:
    """Stop with what to install when the extra is not there."""
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise click.ClickException(
            f"bulk needs {', '.join(missing)}: pip install 'effort-prescription[bulk]' installs it"
        )


def tell(summary: "Summary", seconds: float, *, as_json: bool) -> None:
    """Say how the folder stands: words on standard error, JSON on standard output."""
    rate = summary.here / seconds if seconds else 0.0
    if as_json:
        told = {**msgspec.to_builtins(summary), "seconds": round(seconds, 3), "rows_per_second": round(rate)}
        click.echo(msgspec.json.encode(told).decode())
    click.echo(
        f"{summary.answered} rows answered ({summary.withheld} without a target), {summary.refused} refused, in "
        f"{summary.units} part{'' if summary.units == 1 else 's'}; {summary.here} of them now, {rate:,.0f} a second",
        err=True,
    )


def _carry_out(work: "Work", out: Path, scheduler: str | None, *, shown: bool, as_json: bool) -> int:
    from service.bulk.work import one_after_another, run  # noqa: PLC0415 - needs the extra

    doing: Any = one_after_another
    if scheduler is not None:
        from service.bulk.cluster import OnCluster  # noqa: PLC0415 - takes half a second, for those who want it

        doing = OnCluster(scheduler)
    begun = time.monotonic()
    with progress("parts", work.units, wanted=shown) as advance:
        summary = run(work, out, doing=doing, advance=lambda _: advance(1))
    tell(summary, time.monotonic() - begun, as_json=as_json)
    return SOME_REFUSED if summary.refused else 0


def _check_options(told: dict[str, Any]) -> None:
    """Refuse options that do not go together."""
    others = ("scheduler", "policy_version", "keep")
    if not told["from_history"]:
        lone = [name for name in ("site", "tenant", "session") if told[name] is not None]
        if lone:
            raise click.UsageError(f"--{lone[0]} goes with --from-history")
        return
    if wrong := [name.replace("_", "-") for name in others if told[name]]:
        raise click.UsageError(f"--{wrong[0]} does not go with --from-history")


def _work(source: Path, told: dict[str, Any]) -> "Work":
    if told["from_history"]:
        from service.cli.bulk_history import history_work  # noqa: PLC0415 - needs the extra

        return history_work(
            source,
            tenant=told["tenant"],
            site=told["site"],
            session=told["session"] or 1,
            texts=told["texts"],
            form=told["form"] or "parquet",
        )
    from service.bulk.file_work import file_work  # noqa: PLC0415 - needs the extra

    return file_work(
        source, policy=told["policy_version"], keep=told["keep"], texts=told["texts"], form=told["form"]
    )


@click.command("bulk", help=HELP)
@click.argument("source", metavar="IN", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--scheduler", metavar="ADDRESS", help="Do it on this Dask cluster, such as tcp://10.0.0.1:8786."
)
@click.option("--progress", "shown", is_flag=True, help="Show a bar, on a terminal.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON on standard output.")
@click.option("--policy-version", metavar="DATE", help="For rows that pin none; default: the newest.")
@click.option("--texts", is_flag=True, help="Tell the reasons in words too; some twenty times slower.")
@click.option("--keep", multiple=True, metavar="COLUMN", help="Carry it through though it looks like a slip.")
@click.option(
    "--format",
    "form",
    type=click.Choice(("parquet", "arrow", "arrows")),
    help="Of the part files: Parquet, Arrow file, Arrow stream; default: as IN.",
)
@click.option(
    "--from-history", is_flag=True, help="IN is a plan; lifters and what they did come from the database."
)
@click.option("--site", help="With --from-history: lifters of this site; default: all of the tenant.")
@click.option(
    "--tenant", help="With --from-history: whose lifters; may be left out when there is one tenant."
)
@click.option("--session", type=click.IntRange(1), help="With --from-history: of the plan, 1 for the first.")
def command(source: Path, out: Path, **told: Any) -> None:  # noqa: D103 - HELP says it
    check_extra()
    _check_options(told)
    work = _work(source, told)
    code = _carry_out(work, out, told["scheduler"], shown=told["shown"], as_json=told["as_json"])
    sys.exit(code)
