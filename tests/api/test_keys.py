"""Who may call: keys, scopes, expiry, revocation, and a store that is away."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import httpx
import pytest

from service.api.keyring import KeyRing
from service.errors import Unauthenticated
from service.storage.engine import close_store, open_store, writing
from service.storage.key_rotation import revoke_key
from service.storage.keys import Principal
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import make_key, served

BODY = {"rep_target": 8}
LONG_AGO = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture(params=[True, False], ids=["shortcut", "documented way"])
def shortcut(request: pytest.FixtureRequest) -> bool:
    """Both ways to the prescription."""
    return bool(request.param)


async def post(client: httpx.AsyncClient, authorization: str | None) -> httpx.Response:
    """Ask with this Authorization header."""
    headers = {} if authorization is None else {"authorization": authorization}
    return await client.post("/v1/prescriptions", json=BODY, headers=headers)


async def test_bad_keys_are_all_refused_alike(database_url: str, shortcut: bool) -> None:
    """Missing, malformed, unknown, altered, revoked and expired cannot be told apart."""
    live, gone = await make_key(database_url), await make_key(database_url)
    soon = await make_key(database_url, now=LONG_AGO, expires_at=LONG_AGO + timedelta(days=1))
    store = open_store(database_url)
    async with writing(store) as session:
        assert await revoke_key(session, key_id=gone.key_id, now=datetime.now(UTC))
    await close_store(store)
    altered = live.token[:-1] + ("A" if live.token[-1] != "A" else "B")
    bad = [
        None,
        "",
        "Bearer",
        "Bearer ",
        "Basic eDp5",
        f"Token {live.token}",
        "Bearer x",
        f"Bearer {altered}",
    ]
    bad += [f"Bearer {gone.token}", f"Bearer {soon.token}", "Bearer " + "x" * 5000, f"Bearer {live.token} x"]
    async with served(database_url, shortcut=shortcut) as client:
        answers = [await post(client, value) for value in bad]
        assert (await post(client, f"Bearer {live.token}")).status_code == 200
        assert (await post(client, f"bearer {live.token}")).status_code == 200
    for answer in answers:
        assert_problem(answer, 401)
        assert answer.headers["www-authenticate"].startswith("Bearer")
    told = [{k: v for k, v in answer.json().items() if k != "request_id"} for answer in answers]
    assert all(problem == told[0] for problem in told)


async def test_a_key_in_the_url_is_never_read(database_url: str, shortcut: bool) -> None:
    """It would end up in logs."""
    key = await make_key(database_url)
    async with served(database_url, shortcut=shortcut) as client:
        assert_problem(await client.post(f"/v1/prescriptions?api_key={key.token}", json=BODY), 401)


async def test_a_missing_scope_is_named(database_url: str, shortcut: bool) -> None:
    """No scope implies another."""
    key = await make_key(database_url, "admin", "history:read", "history:write")
    async with served(database_url, token=key.token, shortcut=shortcut) as client:
        for _ in range(2):
            assert (
                "'prescribe'"
                in assert_problem(await client.post("/v1/prescriptions", json=BODY), 403)["detail"]
            )


async def test_a_revoked_key_is_forgotten_within_five_seconds(database_url: str) -> None:
    """Remembered answers age; the clock is an argument."""
    key = await make_key(database_url)
    store, clock = open_store(database_url), [100.0]
    ring = KeyRing(store, monotonic=lambda: clock[0])
    assert (await ring.principal(f"Bearer {key.token}")).key_id == key.key_id
    async with writing(store) as session:
        await revoke_key(session, key_id=key.key_id, now=datetime.now(UTC))
    clock[0] = 104.9
    assert (await ring.principal(f"Bearer {key.token}")).key_id == key.key_id
    clock[0] = 105.1
    with pytest.raises(Unauthenticated):
        await ring.principal(f"Bearer {key.token}")
    await ring.close()
    await close_store(store)


async def test_a_slow_answer_about_a_key_is_not_remembered_for_longer(database_url: str) -> None:
    """What it says was true when it was asked: a key revoked since then stops in time nevertheless."""
    clock, asked = [100.0], []

    async def slow(token: str) -> Principal | None:
        asked.append(token)
        clock[0] += 4
        return Principal(
            tenant_id=UUID(int=1),
            key_id="a subject",
            kind="token",
            scopes=frozenset({"prescribe"}),
            sites=None,
            expires_at=None,
        )

    store = open_store(database_url)
    ring = KeyRing(store, slow, monotonic=lambda: clock[0])
    for at, times in ((100.0, 1), (104.9, 1), (105.1, 2)):
        clock[0] = at
        assert (await ring.principal("Bearer a.b.c")).key_id == "a subject"
        assert len(asked) == times
    await close_store(store)


async def test_expiry_is_exact_even_for_a_remembered_key(database_url: str) -> None:
    """The five seconds do not prolong a life."""
    start = datetime.now(UTC)
    key = await make_key(database_url, expires_at=start + timedelta(seconds=60))
    store, offset = open_store(database_url), [timedelta()]
    ring = KeyRing(store, now=lambda: start + offset[0])
    assert await ring.principal(f"Bearer {key.token}")
    offset[0] = timedelta(seconds=61)
    with pytest.raises(Unauthenticated):
        await ring.principal(f"Bearer {key.token}")
    await ring.close()
    await close_store(store)


async def test_use_of_a_key_is_noted(database_url: str) -> None:
    """`effort key list` shows when a key was last used."""
    from service.storage.engine import reading  # noqa: PLC0415 - only here
    from service.storage.key_pages import list_keys  # noqa: PLC0415 - only here

    key = await make_key(database_url)
    async with served(database_url, token=key.token) as client:
        await client.post("/v1/prescriptions", json=BODY)
    store = open_store(database_url)
    async with reading(store) as session:
        (record,) = await list_keys(session, tenant="harbour-street-gym")
    await close_store(store)
    assert record.last_used_at is not None


async def test_with_the_store_away_keys_are_503_and_the_rest_works(tmp_path: Path, shortcut: bool) -> None:
    """Unknown keys cannot be judged; catalogues need no store."""
    url = f"sqlite:///{tmp_path / 'missing' / 'effort.db'}"
    with fresh_database("sqlite") as other:
        key = await make_key(other)
    async with served(url, token=key.token, shortcut=shortcut) as client:
        refused = await client.post("/v1/prescriptions", json=BODY)
        assert_problem(refused, 503)
        assert int(refused.headers["retry-after"]) > 0
        assert_problem(await client.get("/health/ready"), 503)
        assert (await client.get("/health/live")).status_code == 200
        assert (await client.get("/v1/exercises")).status_code == 200


async def test_an_unmigrated_database_is_not_ready_and_says_so(bare_database_url: str) -> None:
    """The answer names the command that mends it."""
    async with served(bare_database_url) as client:
        assert "effort migrate" in assert_problem(await client.get("/health/ready"), 503)["detail"]
        assert_problem(await post(client, "Bearer x"), 401)


async def test_a_remembered_key_works_while_the_store_is_away(database_url: str) -> None:
    """For its five seconds."""
    key = await make_key(database_url)
    store = open_store(database_url)
    ring = KeyRing(store)
    await ring.principal(f"Bearer {key.token}")
    await ring.close()
    await close_store(store)
    assert await ring.principal(f"Bearer {key.token}")
