"""Schemathesis against the service as served, on both databases: every check, every phase, no failure."""

import asyncio
import os
import subprocess
import sys
from pathlib import Path

import pytest

from service.api.document import DOCUMENT_PATH
from service.storage.keys import SCOPES
from tests.contract.server import ROOT, server
from tests.databases import KINDS, Kind, fresh_database
from tests.serving import make_key

CONFIG = Path(__file__).with_name("schemathesis.toml")
EXAMPLES_PER_OPERATION = "25"


@pytest.mark.parametrize("kind", KINDS)
def test_no_generated_request_finds_a_difference_between_document_and_service(
    kind: Kind, tmp_path: Path
) -> None:
    """Valid requests are accepted, invalid ones refused, answers fit their schemas, nothing fails."""
    with fresh_database(kind) as url:
        key = asyncio.run(make_key(url, *SCOPES))
        with server(url) as address:
            done = subprocess.run(
                [
                    str(Path(sys.executable).with_name("schemathesis")),
                    "--config-file",
                    str(CONFIG),
                    "run",
                    str(DOCUMENT_PATH),
                    "--url",
                    address,
                    "-H",
                    f"Authorization: Bearer {key.token}",
                    "--checks",
                    "all",
                    "--max-examples",
                    EXAMPLES_PER_OPERATION,
                    "--continue-on-failure",
                    "--no-color",
                ],
                cwd=tmp_path,
                env={
                    **os.environ,
                    "SCHEMATHESIS_HOOKS": "tests.contract.fuzzing_hooks",
                    "PYTHONPATH": str(ROOT),
                },
                capture_output=True,
                text=True,
                check=False,
            )
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    for phase in ("Coverage", "Fuzzing", "Stateful"):
        assert f"✅ {phase}" in done.stdout.replace("✅  ", "✅ ")
