"""What a server process says, with every log on: no id of a lifter, no key, no note, no body, whatever goes wrong."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest
from sqlalchemy import text

from service.storage.engine import close_store, open_store
from service.storage.keys import NewKey
from tests.api.gym import MESSAGEPACK, set_body
from tests.databases import KINDS, Kind, fresh_database
from tests.ops.replicas import Replica
from tests.serving import make_key

LIFTER, NOTE, SITE = "canary-6b1f", "left knee hurts", "canary-site"
REPLAY, LABEL, EXERCISE = "canary-replay-7", "label-of-canary", "curl_of_canary"
SET = UUID(int=0xCA_4A_12_00_77_31)
SCOPES = ("prescribe", "history:read", "history:write", "admin")


@contextmanager
def talkative(url: str, log: Path) -> Iterator[Replica]:
    """A server on the database at `url` that logs as much as it can, into `log`."""
    environ = {"EFFORT_DATABASE_URL": url, "EFFORT_LOG_LEVEL": "debug", "EFFORT_LOG_REQUESTS": "all"}
    replica = Replica(environ, log)
    replica.start()
    try:
        yield replica
    finally:
        replica.stop()


def in_database(url: str, *statements: str) -> None:
    """Run statements as the owner of the tables."""

    async def run() -> None:
        store = open_store(url)
        try:
            async with store.writers.begin() as connection:
                for statement in statements:
                    await connection.execute(text(statement))
        finally:
            await close_store(store)

    asyncio.run(run())


def told(number: int = 0, **members: Any) -> dict[str, Any]:
    """A set with a note."""
    return set_body(1, set_id=str(UUID(int=SET.int + number)), **({"note": NOTE} | members))


def live(client: httpx.Client, made: NewKey) -> list[int]:
    """Everything a client does to a lifter, right and wrong; the statuses it was answered."""
    lifter = f"/v1/lifters/{LIFTER}"
    sets, one = f"{lifter}/sets", f"{lifter}/sets/{SET}"
    replayed = {"idempotency-key": REPLAY}
    wrong = {"performed_at": NOTE, "exercise": EXERCISE, NOTE: 1}
    unreadable = f'{{"note": "{NOTE}", "lifter": "{LIFTER}" '.encode()
    packed = msgspec.msgpack.encode({"sets": [told(1)]})
    calls: tuple[tuple[str, str, dict[str, Any]], ...] = (
        ("PUT", f"/v1/sites/{SITE}", {}),
        ("PUT", lifter, {"json": {"experience": "novice", "cautions": ["pregnancy"]}}),
        ("POST", sets, {"json": {"sets": [told()]}, "headers": replayed}),
        ("POST", sets, {"json": {"sets": [told()]}, "headers": replayed}),
        ("POST", sets, {"json": {"sets": [told(reps=1)]}, "headers": replayed}),
        ("POST", sets, {"json": {"sets": [told(reps=1)]}}),
        ("POST", sets, {"json": {"sets": [told(), wrong]}}),
        ("POST", sets, {"content": unreadable, "headers": {"content-type": "application/json"}}),
        ("POST", sets, {"content": packed, "headers": {"content-type": MESSAGEPACK}}),
        ("POST", sets, {"content": NOTE.encode(), "headers": {"content-type": "text/plain"}}),
        ("GET", sets, {"params": {"note": NOTE, "api_key": made.token}}),
        ("GET", sets, {"params": {"limit": 1}}),
        ("GET", one, {}),
        ("PUT", one, {"json": told(reps=7), "headers": {"if-match": f'"{LIFTER}"'}}),
        ("PUT", one, {"json": told(reps=7)}),
        ("DELETE", f"{sets}/{UUID(int=1)}", {}),
        ("POST", f"{lifter}/prescriptions", {"json": {"rep_target": 8, "exercise": "leg_press"}}),
        ("GET", f"{lifter}/state", {}),
        ("GET", f"{lifter}/review", {}),
        ("GET", f"{lifter}/export", {}),
        ("GET", f"{lifter}/nothing-here", {}),
        ("PATCH", lifter, {"json": {"note": NOTE}}),
        ("GET", f"{lifter}/state", {"headers": {"authorization": f"Bearer {made.token}x"}}),
        ("GET", f"{lifter}/state", {"headers": {"authorization": made.token}}),
        ("POST", "/v1/keys", {"json": {"scopes": ["admin"], "label": LABEL}}),
        ("GET", "/v1/audit", {"params": {"lifter_id": LIFTER}}),
        ("DELETE", one, {}),
        ("DELETE", lifter, {}),
        ("GET", lifter, {}),
    )
    return [client.request(method, address, **more).status_code for method, address, more in calls]


def spoiled(url: str, kind: Kind, client: httpx.Client) -> list[int]:
    """What is answered when the database says things about the rows: a key that is taken, a table that is gone."""
    sets = f"/v1/lifters/{LIFTER}/sets"
    parts = ["performed_sets"] if kind == "sqlite" else [f"performed_sets_p{number}" for number in range(8)]
    in_database(url, *(f"CREATE UNIQUE INDEX spoil_{part} ON {part} (lifter_id, note)" for part in parts))
    answers = [client.post(sets, json={"sets": [told(number)]}).status_code for number in (10, 11)]
    in_database(url, "ALTER TABLE summaries RENAME TO summaries_gone")
    answers.append(client.post(sets, json={"sets": [told(12, note=f"{NOTE} more")]}).status_code)
    return answers


@pytest.mark.parametrize("kind", KINDS)
def test_no_lifter_key_note_or_body_is_logged(kind: Kind, tmp_path: Path) -> None:
    """After every call of the history, refusals and a database that names values in its errors."""
    log = tmp_path / "server.log"
    with fresh_database(kind) as url:
        made = asyncio.run(make_key(url, *SCOPES))
        headers = {"authorization": f"Bearer {made.token}"}
        with (
            talkative(url, log) as replica,
            httpx.Client(base_url=replica.address, headers=headers, timeout=30) as client,
        ):
            statuses = live(client, made)
            statuses += spoiled(url, kind, client)
    said = log.read_text("utf-8")
    assert {200, 201, 204, 400, 401, 404, 405, 409, 412, 415, 422} <= set(statuses)
    # One set stored, one that breaks an index, one for which a table is missing.
    assert statuses[-3:] == [201, 500, 503]
    for word in (LIFTER, NOTE, SITE, REPLAY, LABEL, EXERCISE, str(SET)[-12:], "pregnancy", "leg_press"):
        assert word not in said, word
        assert word.encode().hex() not in said
    assert made.token not in said
    # The public id of a key may be told; its secret is the part after it.
    assert made.token.split("_")[2] not in said
    # It did say something: else this would show nothing.
    assert said.count("\n") >= len(statuses)
    assert "/v1/lifters/{lifter_id}/sets" in said
