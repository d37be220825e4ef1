"""Four replicas of a new release start at once on an empty database, each migrating first: all of them serve."""

import asyncio
from pathlib import Path

import httpx

from service.storage.migrate import HEAD_REVISION
from tests.contract.server import ROOT
from tests.databases import fresh_database
from tests.ops.previous_release import effort_of
from tests.ops.replicas import Replica
from tests.serving import make_key

REPLICAS = 4


async def test_four_replicas_start_at_once_on_an_empty_database(tmp_path: Path) -> None:
    """They take turns at migrating; a key made afterwards works at each."""
    with fresh_database("postgresql", migrated=False) as url:
        replicas = [
            Replica({"EFFORT_DATABASE_URL": url}, tmp_path / f"{number}.log") for number in range(REPLICAS)
        ]

        def migrate_and_serve(one: Replica) -> str:
            told = effort_of(ROOT, url, "migrate")
            one.start()
            return told

        try:
            told = await asyncio.gather(*(asyncio.to_thread(migrate_and_serve, one) for one in replicas))
            headers = {"authorization": f"Bearer {(await make_key(url)).token}"}
            async with httpx.AsyncClient(headers=headers, trust_env=False) as client:
                for one in replicas:
                    assert (await client.get(f"{one.address}/health/ready")).status_code == 200
                    asked = await client.post(f"{one.address}/v1/prescriptions", json={"rep_target": 8})
                    assert asked.status_code == 200
        finally:
            stopped = [one.stop() for one in replicas if one.process is not None]
    assert told == [f"database is at revision {HEAD_REVISION}\n"] * REPLICAS
    assert stopped == [0] * REPLICAS
