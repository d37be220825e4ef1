"""`effort document`."""

import os
import sys
from difflib import unified_diff

import click

from service.api.document import DOCUMENT_PATH, document_bytes
from service.app import litestar_app
from service.policy.catalogue import load_policies
from service.settings import read_settings


@click.command("document")
@click.option("--check", is_flag=True, help="Compare with the committed file instead of writing it.")
def command(check: bool) -> None:
    """Write the OpenAPI document to openapi/openapi.json, or check that it is up to date."""
    settings = read_settings(os.environ)
    made = document_bytes(litestar_app(settings, load_policies()))
    if not check:
        DOCUMENT_PATH.write_bytes(made)
        click.echo(f"wrote {DOCUMENT_PATH}")
        return
    committed = DOCUMENT_PATH.read_bytes() if DOCUMENT_PATH.exists() else b""
    if committed == made:
        click.echo("openapi.json is up to date")
        return
    lines = unified_diff(
        committed.decode().splitlines(),
        made.decode().splitlines(),
        "committed",
        "made from the code",
        lineterm="",
    )
    click.echo("\n".join(list(lines)[:80]), err=True)
    click.echo("effort: openapi.json is out of date; run `effort document`", err=True)
    sys.exit(1)
