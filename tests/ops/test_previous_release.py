"""Zero downtime: replicas of the release before this one go on working while and after this one migrates.

So do those of the last release that a migration has met: without a migration since, the release before shows little.
The code of either comes out of git. Where there is no history (a tarball, a shallow clone) what it needs of the schema
is written down and looked up; that is checked everywhere.
"""

import asyncio
import re
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from typing import Any, TypeVar

import httpx
import pytest
from packaging.version import Version
from sqlalchemy import Inspector, inspect, text

from service import __version__
from service.storage.engine import close_store, open_store, reading, writing
from service.storage.migrate import HEAD_REVISION, migrate
from tests.contract.released import released_versions
from tests.databases import Kind, fresh_database
from tests.ops.aftermath import LOAD_SECONDS, TOLD
from tests.ops.clients import CANARIES, SCOPES, Load, training
from tests.ops.journal import Exchange
from tests.ops.previous_release import (
    code_of,
    effort_of,
    environ_of,
    missing_in,
    needs_of,
    recorded,
    version_of,
)
from tests.ops.replicas import Replica, replica
from tests.ops.verdict import examined

T = TypeVar("T")
# What a migration must not do in the release that stops using something, only in one after it.
TOO_EARLY = {
    "ALTER TABLE performed_sets DROP COLUMN velocity_loss_percent": "performed_sets.velocity_loss_percent is gone",
    "ALTER TABLE api_keys RENAME COLUMN secret_hash TO hash": "api_keys.secret_hash is gone",
    "ALTER TABLE idempotency RENAME TO answers": "table idempotency is gone",
}


RECORDS = recorded()
LAST = RECORDS[-1]


@pytest.fixture(params=RECORDS, ids=lambda record: record["version"])
def record(request: pytest.FixtureRequest) -> dict[str, Any]:
    """What is written down of a previous release."""
    told: dict[str, Any] = request.param
    return told


@pytest.fixture
def code(record: dict[str, Any], tmp_path: Path) -> Path:
    """The tree of a previous release."""
    commit = record["commit"]
    found = code_of(commit, tmp_path / "previous")
    if found is None:
        pytest.skip(
            f"no git history with {commit[:12]} here: its needs of the schema are checked as written down"
        )
    return found


async def in_schema(url: str, look: Callable[[Inspector], T]) -> T:
    """Return what `look` finds in the database at `url`."""
    store = open_store(url)
    try:
        async with reading(store) as r:
            return await r.connection.run_sync(lambda connection: look(inspect(connection)))
    finally:
        await close_store(store)


async def change(url: str, statement: str) -> None:
    """Do what a careless migration would."""
    store = open_store(url)
    async with writing(store) as w:
        await w.execute(text(statement))
    await close_store(store)


def test_the_release_before_this_one_is_written_down() -> None:
    """The one whose document this one is compared with; a record that stays behind proves less with each release.

    When this fails: `.venv/bin/python -m tests.ops.previous_release COMMIT` (DEVELOPERS.md, A release).
    """
    before = max(version for version in released_versions() if version < Version(__version__))
    assert Version(LAST["version"]) == before


def test_a_release_is_written_down_from_before_the_newest_migration() -> None:
    """Else no replica would ever meet a schema that is newer than its code."""
    assert min(record["revision"] for record in RECORDS) < HEAD_REVISION


async def test_schema_has_what_the_previous_release_needs(database_url: str, record: dict[str, Any]) -> None:
    """Every table, column and key it names, and nothing it would have to fill without knowing of it."""
    assert await in_schema(database_url, lambda schema: list(missing_in(schema, record))) == []


@pytest.mark.parametrize(("statement", "told"), TOO_EARLY.items())
async def test_control_a_change_made_too_early_is_seen(database_url: str, statement: str, told: str) -> None:
    """What the previous release still uses went away."""
    await change(database_url, statement)
    missing = await in_schema(database_url, lambda schema: list(missing_in(schema, LAST)))
    assert [fault for fault in missing if told in fault]


def test_what_is_written_down_is_what_the_previous_release_needs(code: Path, record: dict[str, Any]) -> None:
    """The record was made from that code."""
    assert version_of(code) == record["version"]
    assert needs_of(code) == {"revision": record["revision"], "tables": record["tables"]}
    assert record["revision"] <= HEAD_REVISION


def previous(code: Path, url: str, folder: Path) -> AbstractContextManager[Replica]:
    """Run a replica of the previous release."""
    return replica(url, folder, code=code, **environ_of(code))


async def see_all(load: Load, exchanges: list[Exchange]) -> None:
    """Read of every lifter: what was learned with the numbers of another release is learned anew."""
    for tenant, lifter_id in {(each.sent.tenant, each.sent.lifter_id) for each in exchanges}:
        async with load.client(tenant) as client:
            # Unknown is who was to come with a request that was not stored.
            answer = await client.get(f"/v1/lifters/{lifter_id}/state")
            assert answer.status_code in {httpx.codes.OK, httpx.codes.NOT_FOUND}, answer.text


def new_key(code: Path, url: str, tenant: str, *scopes: str) -> str:
    """Make a key with the commands of the previous release."""
    told = [part for scope in scopes for part in ("--scope", scope)]
    made = effort_of(code, url, "key", "create", "--tenant", tenant, *told)
    token = re.search(r"^API key: (\S+)$", made, re.MULTILINE)
    assert token is not None
    return token[1]


async def assert_lets_in(old: Replica, token: str) -> None:
    """The key works at the replica."""
    headers = {"authorization": f"Bearer {token}"}
    async with httpx.AsyncClient(base_url=old.address, headers=headers, trust_env=False) as client:
        answer = await client.post("/v1/prescriptions", json={"rep_target": 8})
        assert answer.status_code == httpx.codes.OK, answer.text


async def test_previous_release_works_on_the_new_schema_beside_this_one(
    database_kind: Kind, record: dict[str, Any], code: Path, tmp_path: Path
) -> None:
    """A rolling update: its replica, started before the migration, serves the same lifters as one of this release."""
    with fresh_database(database_kind, migrated=False) as url, ExitStack() as running:
        effort_of(code, url, "migrate")
        old = running.enter_context(previous(code, url, tmp_path))
        tokens = {tenant: new_key(code, url, tenant, *SCOPES) for tenant in CANARIES}
        async with training(old.address, url, tmp_path, apps=1, tokens=tokens) as before:
            await before.going_on(LOAD_SECONDS / 2)
            await asyncio.to_thread(migrate, url)
            new = running.enter_context(replica(url, tmp_path))
            async with training(new.address, url, tmp_path, apps=1, first=10**6) as after:
                await after.going_on(LOAD_SECONDS)
        await assert_lets_in(old, new_key(code, url, "old-mill-gym", "prescribe"))
        exchanges = [*before.journal.read(), *after.journal.read()]
        await see_all(after, exchanges)
        # Not every release before knew an audit.
        verdict = await examined(url, exchanges, audited="audit" in record["tables"])
    assert (verdict.faults, before.unexpected, after.unexpected) == ((), [], [])
    for each in (before, after):
        assert each.seen["201"] > 0
    TOLD.append(
        f"release {record['version']} beside this one on {database_kind}: {verdict.acknowledged} acknowledged sets, "
        f"none lost; it answered {dict(before.seen)}"
    )


@pytest.mark.parametrize("record", [LAST], ids=lambda record: record["version"], indirect=True)
async def test_control_previous_release_fails_on_a_schema_changed_too_early(
    code: Path, tmp_path: Path
) -> None:
    """Its writes are refused, and this harness sees it."""
    with fresh_database("postgresql") as url, previous(code, url, tmp_path) as old:
        async with training(old.address, url, tmp_path, apps=1) as load:
            await asyncio.sleep(LOAD_SECONDS / 2)
            await change(url, next(iter(TOO_EARLY)))
            stored = load.seen["201"]
            for _ in range(60):
                await asyncio.sleep(LOAD_SECONDS)
                if load.seen["503"]:
                    break
    assert load.seen["503"] > 0
    assert load.seen["201"] <= stored + len(load.tokens)
