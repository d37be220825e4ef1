"""One set over HTTP: read, corrected, deleted; what was learned follows."""

from collections.abc import AsyncIterator
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest

from tests.api.gym import MESSAGEPACK, ago, export, gym, id_of, log, path, post_sets, set_body, stored
from tests.api.problem_shape import assert_problem

FAILED = {"set_endpoint": "momentary_failure"}


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


def of(number: int) -> str:
    """Return the address of the set with this number."""
    return path("sets", id_of(number))


async def learned(client: httpx.AsyncClient, lifter: str) -> list[Any]:
    """Return what state, review and a prescription say of a lifter, whose own id is left out."""
    body = {"rep_target": 8, "exercise": "barbell_bench_press", "load_kg": 80, "at": ago(0)}
    answers = (
        await client.get(path("state", lifter=lifter), params={"at": ago(0)}),
        await client.get(path("review", lifter=lifter), params={"weeks": 10}),
        await client.post(path("prescriptions", lifter=lifter), json=body),
    )
    assert answers[1].json()["weeks"] or not answers[0].json()["sets"]
    assert [answer.status_code for answer in answers] == [200, 200, 200]
    return [{k: v for k, v in answer.json().items() if k != "lifter_id"} for answer in answers]


async def assert_learned_from(client: httpx.AsyncClient, *sets: dict[str, Any]) -> None:
    """What is known of the lifter is what these sets teach about somebody new."""
    await client.put(path(lifter="newcomer"), json={})
    await log(client, *sets, lifter="newcomer")
    assert await learned(client, "lifter-7") == await learned(client, "newcomer")


async def test_a_set_is_read_as_it_is_stored(client: httpx.AsyncClient) -> None:
    """With one ETag in either format; the id may be written in capitals."""
    await log(client, set_body(0xABC, note="belt"))
    found = await client.get(of(0xABC))
    assert (found.status_code, found.json()) == (200, stored(set_body(0xABC, note="belt")))
    packed = await client.get(path("sets", id_of(0xABC).upper()), headers={"accept": MESSAGEPACK})
    assert msgspec.msgpack.decode(packed.content) == found.json()
    assert packed.headers["etag"] == found.headers["etag"]


async def test_unknown_sets_are_404_on_every_method(client: httpx.AsyncClient) -> None:
    """Of an unknown lifter and of a known one, another lifter's set too; PUT makes none."""
    for _ in range(2):
        for number in (1, 2):
            assert_problem(await client.get(of(number)), 404)
            assert_problem(await client.put(of(number), json=set_body(number)), 404)
            assert_problem(await client.delete(of(number)), 404)
        await post_sets(client, set_body(1), lifter="neighbour")
        await client.put(path(), json={})
    assert b'"sets":0' in await export(client)


async def test_a_bad_id_is_a_fault_of_the_parameter(client: httpx.AsyncClient) -> None:
    """Anything but a UUID with its hyphens, told beside the other faults, on every method."""
    plain = id_of(1).replace("-", "")
    for bad in (
        "x",
        "1",
        plain,
        f"%7B{id_of(1)}%7D",
        f"urn:uuid:{id_of(1)}",
        id_of(1) + "%0A",
        id_of(1)[:-1],
    ):
        place = path("sets", bad, lifter=".x")
        assert_problem(await client.get(place), 422, "lifter_id", "set_id")
        assert_problem(await client.delete(path("sets", bad)), 422, "set_id")
        put = await client.put(path("sets", bad), json=set_body(1, reps=-1, set_id=None))
        assert_problem(put, 422, "set_id", "#/reps")


async def test_a_correction_replaces_the_whole_set(client: httpx.AsyncClient) -> None:
    """200 with the set as it is now; what is left out is null; its id may be left out."""
    await log(client, set_body(1, note="belt", reported_rir=2))
    wanted = set_body(1, reps=9, performed_at="2024-03-04T19:03:00+01:00")
    for body in (wanted, {**wanted, "set_id": id_of(1).upper()}, {**wanted, "set_id": None}):
        answer = await client.put(of(1), json=body)
        assert (answer.status_code, answer.json()) == (200, stored(wanted))
        found = await client.get(of(1))
        assert (found.content, found.headers["etag"]) == (answer.content, answer.headers["etag"])


async def test_the_id_in_a_correction_is_the_paths(client: httpx.AsyncClient) -> None:
    """Another one is refused before it is looked whether the set is there."""
    await log(client, set_body(1), set_body(2))
    before = await export(client)
    for number in (1, 9):
        assert_problem(await client.put(of(number), json=set_body(2)), 422, "#/set_id")
    assert await export(client) == before


async def test_a_foreign_id_is_told_beside_the_other_faults(client: httpx.AsyncClient) -> None:
    """All faults of a correction come at once."""
    await log(client, set_body(1))
    answer = await client.put(of(1), json=set_body(2, exercise="leg_pres"))
    assert_problem(answer, 422, "#/set_id", "#/exercise")


async def test_a_bad_correction_changes_nothing(client: httpx.AsyncClient) -> None:
    """Types, catalogue and rules over two members, in one answer."""
    await log(client, set_body(1))
    before = await export(client)
    bad = set_body(1, exercise="leg_pres", load_kg=-1, rir_call={"at_rep": 9, "reps_left": 1}, colour="red")
    places = ("#/exercise", "#/load_kg", "#/rir_call/at_rep", "#/colour")
    assert_problem(await client.put(of(1), json=bad), 422, *places)
    assert_problem(await client.put(of(1), json=set_body(1, exercise="leg_pres")), 422, "#/exercise")
    assert await export(client) == before


async def test_if_match_keeps_a_correction_from_undoing_another(client: httpx.AsyncClient) -> None:
    """412 with an old ETag; the present one and `*` let it through."""
    await log(client, set_body(1))
    old = (await client.get(of(1))).headers["etag"]
    new = (await client.put(of(1), json=set_body(1, reps=9), headers={"if-match": old})).headers["etag"]
    assert new != old
    for sent in (old, f"W/{new}", '"x"'):
        answer = await client.put(of(1), json=set_body(1, reps=10), headers={"if-match": sent})
        assert_problem(answer, 412)
    assert (await client.get(of(1))).json()["reps"] == 9
    for sent in (f"{old}, {new}", "*"):
        answer = await client.put(of(1), json=set_body(1, reps=9), headers={"if-match": sent})
        assert answer.status_code == 200
    assert_problem(await client.put(of(2), json=set_body(2), headers={"if-match": "*"}), 404)


async def test_if_match_keeps_a_changed_set_from_being_deleted(client: httpx.AsyncClient) -> None:
    """412 and the set is still there; with the present tag it goes."""
    await log(client, set_body(1))
    old = (await client.get(of(1))).headers["etag"]
    new = (await client.put(of(1), json=set_body(1, reps=9))).headers["etag"]
    assert_problem(await client.delete(of(1), headers={"if-match": old}), 412)
    assert (await client.get(of(1))).status_code == 200
    assert (await client.delete(of(1), headers={"if-match": new})).status_code == 204


async def test_a_correction_changes_what_was_learned(client: httpx.AsyncClient) -> None:
    """As if the set had been so from the start: load, end point, exercise, and its place in time."""
    sets = [set_body(n, performed_at=ago(30 - n), prescribed_rir=2, reported_rir=1) for n in range(1, 6)]
    await log(client, *sets)
    before = await learned(client, "lifter-7")
    sets[1] |= {"load_kg": 100, **FAILED}
    sets[3] |= {"exercise": "leg_press", "performed_at": ago(35)}
    for place in (1, 3):
        answer = await client.put(path("sets", sets[place]["set_id"]), json=sets[place])
        assert answer.status_code == 200
    after = await learned(client, "lifter-7")
    for now, then in zip(after, before, strict=True):
        assert now != then
    await assert_learned_from(client, *sets)


async def test_a_deleted_set_is_unlearned(client: httpx.AsyncClient) -> None:
    """204, then 404 and as if it had never been; without any set a lifter is a cold start."""
    sets = [set_body(n, performed_at=ago(30 - n), reps=5 + n, **FAILED) for n in range(1, 4)]
    await log(client, *sets)
    gone = await client.delete(of(2))
    assert (gone.status_code, gone.content) == (204, b"")
    assert_problem(await client.get(of(2)), 404)
    assert_problem(await client.delete(of(2)), 404)
    await assert_learned_from(client, sets[0], sets[2])
    for number in (1, 3):
        await client.delete(of(number))
    await client.delete(path(lifter="newcomer"))
    await assert_learned_from(client)


async def test_the_id_of_a_deleted_set_may_be_used_again(client: httpx.AsyncClient) -> None:
    """Also with other content."""
    await log(client, set_body(1), set_body(2))
    await client.delete(of(1))
    answer = await post_sets(client, set_body(1, reps=12))
    assert (answer.status_code, UUID(answer.json()["set_ids"][0]).int) == (201, 1)
    assert (await client.get(of(1))).json()["reps"] == 12
