"""Lifters over HTTP: what is told about them, kept from lost updates, and erased without a trace."""

from collections.abc import AsyncIterator
from uuid import UUID

import httpx
import msgspec
import pytest
from sqlalchemy import select

from service.storage.engine import Store, reading
from service.storage.schema import tenants
from tests.api.gym import GYM, LIFTER, MESSAGEPACK, gym, log, path, post_sets, set_body
from tests.api.problem_shape import assert_problem
from tests.storage.test_erasure import traces

PROFILE = {"experience": "novice", "goal": "strength", "cautions": ["age_65_or_over", "pregnancy"]}
EMPTY = {"lifter_id": LIFTER, "experience": None, "goal": None, "cautions": [], "site": None}
BAD_IDS = (".x", "_x", "x" * 65, "a%20b", "a%0A", "%0Aa", "a%00", "%C3%A9", "a%2Cb", "a@b", "%FF", "%2E%2E")
BAD_PROFILES: list[tuple[object, list[str]]] = [
    ({"name": "x"}, ["#/name"]),
    ({"lifter_id": LIFTER}, ["#/lifter_id"]),
    ({"cautions": ["pregnancy", "under_18", "pregnancy"]}, ["#/cautions/2"]),
    ({"cautions": ["old"]}, ["#/cautions/0"]),
    (
        {"experience": "expert", "goal": "size", "cautions": "none"},
        ["#/experience", "#/goal", "#/cautions"],
    ),
    ([], ["#"]),
]
PACKED = {"content-type": MESSAGEPACK, "accept": MESSAGEPACK}


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


async def put(client: httpx.AsyncClient, body: object = None, **headers: str) -> httpx.Response:
    """Put the profile; `if_match="x"` goes as the header If-Match."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.put(path(), json=PROFILE if body is None else body, headers=named)


async def test_a_profile_is_made_once_and_replaced_after(client: httpx.AsyncClient) -> None:
    """201 with the profile, then 200 with it; GET says the same."""
    assert_problem(await client.get(path()), 404)
    told = {"lifter_id": LIFTER, **PROFILE, "site": None}
    for status in (201, 200, 200):
        answer = await put(client)
        assert (answer.status_code, answer.json()) == (status, told)
    found = await client.get(path())
    assert (found.status_code, found.json()) == (200, told)
    assert found.headers["cache-control"] == "no-store"


async def test_a_profile_is_replaced_whole(client: httpx.AsyncClient) -> None:
    """What is left out is unknown from now on."""
    await put(client)
    answer = await put(client, {"goal": "power"})
    assert answer.json() == EMPTY | {"goal": "power"}
    assert (await client.get(path())).json() == EMPTY | {"goal": "power"}


async def test_null_says_no_more_than_leaving_out(client: httpx.AsyncClient) -> None:
    """The same profile under the same ETag, whichever way nothing is said."""
    tags = set()
    for body in ({}, {"experience": None, "goal": None, "cautions": None}, {"cautions": []}):
        answer = await put(client, body)
        assert answer.json() == EMPTY
        tags.add(answer.headers["etag"])
    assert len(tags) == 1


async def test_a_lifter_made_by_a_set_has_an_empty_profile(client: httpx.AsyncClient) -> None:
    """Putting the first profile then changes a lifter who is there: 200."""
    await log(client, set_body())
    assert (await client.get(path())).json() == EMPTY
    assert (await put(client)).status_code == 200


async def test_a_bad_profile_is_refused_whole(client: httpx.AsyncClient) -> None:
    """Every bad place is named, and no lifter is made."""
    for body, places in BAD_PROFILES:
        assert_problem(await put(client, body), 422, *places)
    assert_problem(await client.get(path()), 404)


async def test_a_bad_lifter_id_is_a_fault_of_the_parameter(client: httpx.AsyncClient) -> None:
    """On every method; it is told beside the faults of the body."""
    for lifter in BAD_IDS:
        for answer in (
            await client.get(path(lifter=lifter)),
            await client.delete(path(lifter=lifter)),
            await client.put(path(lifter=lifter), json={}),
            await client.post(path("prescriptions", lifter=lifter), json={"rep_target": 8}),
        ):
            assert_problem(answer, 422, "lifter_id")
        both = await client.put(path(lifter=lifter), json={"goal": "size"})
        assert_problem(both, 422, "lifter_id", "#/goal")


async def test_any_pseudonym_of_the_contract_is_taken(client: httpx.AsyncClient) -> None:
    """Also one that looks like a part of an address; case matters."""
    for lifter in ("7", "x" * 64, "A.b_c:d-9", "a%3Ab", "state", "sets", "0.."):
        made = await client.put(path(lifter=lifter), json={})
        assert (made.status_code, made.json()["lifter_id"]) == (201, lifter.replace("%3A", ":"))
        assert (await client.get(path(lifter=lifter))).json() == made.json()
    assert_problem(await client.get(path(lifter="State")), 404)


async def test_an_etag_names_the_content_in_either_format(client: httpx.AsyncClient) -> None:
    """The same for JSON and MessagePack, for PUT and GET; another one for another profile."""
    packed = await client.put(path(), content=msgspec.msgpack.encode(PROFILE), headers=PACKED)
    tag = packed.headers["etag"]
    assert packed.status_code == 201
    assert packed.headers["content-type"] == MESSAGEPACK
    assert msgspec.msgpack.decode(packed.content) == {"lifter_id": LIFTER, **PROFILE, "site": None}
    for headers in (PACKED, {}):
        assert (await client.get(path(), headers=headers)).headers["etag"] == tag
    assert (await put(client)).headers["etag"] == tag
    assert (await put(client, {})).headers["etag"] != tag
    assert (await put(client)).headers["etag"] == tag


async def test_if_match_keeps_from_lost_updates(client: httpx.AsyncClient) -> None:
    """The present tag, one among several, and `*` let a change through; an old one does not."""
    old = (await put(client)).headers["etag"]
    new = (await put(client, {}, if_match=old)).headers["etag"]
    assert_problem(await put(client, if_match=old), 412)
    assert (await client.get(path())).json() == EMPTY
    assert (await put(client, if_match=f'"other", {new}')).status_code == 200
    assert (await put(client, {}, if_match="*")).status_code == 200


async def test_a_weak_tag_never_matches(client: httpx.AsyncClient) -> None:
    """If-Match compares strongly (RFC 9110, section 13.1.1)."""
    tag = (await put(client)).headers["etag"]
    assert not tag.startswith("W/")
    assert_problem(await put(client, {}, if_match=f"W/{tag}"), 412)


@pytest.mark.parametrize("sent", ["*", '"an-old-tag"'])
async def test_if_match_makes_no_lifter(client: httpx.AsyncClient, sent: str) -> None:
    """With nobody there the condition is false (RFC 9110, section 13.1.1): who was erased does not come back."""
    assert_problem(await put(client, if_match=sent), 412)
    assert_problem(await client.get(path()), 404)


async def test_lines_of_if_match_are_one_list(client: httpx.AsyncClient) -> None:
    """As RFC 9110 has it (section 5.3), in either order."""
    tag = (await put(client)).headers["etag"]
    for lines in (['"other"', tag], [tag, '"other"']):
        sent = [("if-match", line) for line in lines]
        assert (await client.put(path(), json=PROFILE, headers=sent)).status_code == 200


async def test_if_none_match_keeps_a_profile_from_being_overwritten(client: httpx.AsyncClient) -> None:
    """Whoever means to make a lifter changes none (RFC 9110, section 13.1.2)."""
    assert (await put(client, if_none_match="*")).status_code == 201
    tag = (await client.get(path())).headers["etag"]
    for sent in ("*", tag, f"W/{tag}", f'"other", {tag}'):
        assert_problem(await put(client, {}, if_none_match=sent), 412)
    assert (await client.get(path())).headers["etag"] == tag
    assert (await put(client, {}, if_none_match='"other"')).status_code == 200


async def test_if_match_keeps_a_changed_lifter_from_being_erased(client: httpx.AsyncClient) -> None:
    """Erasing is for good; who is not there is 404 before anything is compared."""
    assert_problem(await client.delete(path(), headers={"if-match": "*"}), 404)
    old = (await put(client)).headers["etag"]
    new = (await put(client, {})).headers["etag"]
    assert_problem(await client.delete(path(), headers={"if-match": old}), 412)
    assert (await client.get(path())).headers["etag"] == new
    assert (await client.delete(path(), headers={"if-match": new})).status_code == 204


async def test_a_deleted_lifter_is_gone_from_every_read(client: httpx.AsyncClient) -> None:
    """204 without a body; then 404 on each read, and on deleting once more."""
    await put(client)
    await log(client, set_body(1))
    gone = await client.delete(path())
    assert (gone.status_code, gone.content) == (204, b"")
    for place in ((), ("sets",), ("sets", set_body(1)["set_id"]), ("state",), ("review",), ("export",)):
        assert_problem(await client.get(path(*place)), 404)
    assert_problem(await client.delete(path()), 404)


async def test_erasure_leaves_no_trace_in_any_table(client: httpx.AsyncClient, store: Store) -> None:
    """Profile, sets with notes, what was learned, kept answers: every table is searched for the pseudonym."""
    canary = "canary-5f1c"
    await client.put(path(lifter=canary), json=PROFILE)
    noted = [set_body(number, note=f"{canary} felt strong") for number in (1, 2)]
    assert (await post_sets(client, *noted, lifter=canary, idempotency_key="of-today")).status_code == 201
    await log(client, set_body(1))
    async with reading(store) as session:
        tenant_id = UUID(str((await session.execute(select(tenants.c.id).filter_by(name=GYM))).scalar_one()))
    kept = await traces(store, tenant_id, LIFTER)
    assert set(await traces(store, tenant_id, canary)) == {
        "lifters",
        "performed_sets",
        "summaries",
        "idempotency",
    }
    assert (await client.delete(path(lifter=canary))).status_code == 204
    assert await traces(store, tenant_id, canary) == {}
    assert await traces(store, tenant_id, LIFTER) == kept


async def test_who_was_erased_is_a_cold_start(client: httpx.AsyncClient) -> None:
    """What is used holds nothing but what was sent and the policy; then the ids and keys are free again."""
    sent = {"rep_target": 8, "exercise": "barbell_bench_press", "load_kg": 80, "experience": "advanced"}
    nobody = await client.post(path("prescriptions"), json=sent)
    await put(client)
    sets = [set_body(number, set_endpoint="momentary_failure") for number in (1, 2)]
    assert (await post_sets(client, *sets, idempotency_key="k")).status_code == 201
    known = await client.post(path("prescriptions"), json=sent)
    assert known.json()["context_used"] != nobody.json()["context_used"]
    await client.delete(path())
    after = await client.post(path("prescriptions"), json=sent)
    assert after.content == nobody.content
    used = {name: value for name, value in after.json()["context_used"].items() if value is not None}
    del sent["load_kg"]
    assert used == {**sent, "policy": after.json()["policy"]["version"]}
    assert "idempotent-replayed" not in (again := await post_sets(client, *sets, idempotency_key="k")).headers
    assert again.status_code == 201
    assert (await client.get(path())).json() == EMPTY


async def test_reads_writes_and_prescriptions_need_their_own_scopes(database_url: str) -> None:
    """403 names the scope that is missing; no scope implies another."""
    async with gym(database_url, "history:read", "prescribe", "admin") as reader:
        for answer in (await put(reader), await reader.delete(path()), await post_sets(reader, set_body())):
            assert "'history:write'" in assert_problem(answer, 403)["detail"]
        assert (await reader.post(path("prescriptions"), json={"rep_target": 8})).status_code == 200
    async with gym(database_url, "history:write", "prescribe") as writer:
        assert (await put(writer)).status_code == 201
        for answer in (
            await writer.get(path()),
            await writer.get(path("export")),
            await writer.post(path("prescriptions"), json={"rep_target": 8}),
        ):
            assert "'history:read'" in assert_problem(answer, 403)["detail"]
    async with gym(database_url, "history:read", "history:write") as historian:
        answer = await historian.post(path("prescriptions"), json={"rep_target": 8})
        assert "'prescribe'" in assert_problem(answer, 403)["detail"]


async def test_a_missing_scope_comes_before_a_bad_request(database_url: str) -> None:
    """Order of checks: 403, then media type, parse, validity."""
    async with gym(database_url, "history:read") as reader:
        for content in (b"{", b'{"goal": "size"}'):
            assert_problem(await reader.put(path(lifter=".x"), content=content), 403)
