"""Posting sets over HTTP: all or none, harmless when repeated, every fault told with its place."""

from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest

from service.api.clock import now
from tests.api.gym import LIFTER, MESSAGEPACK, gym, id_of, log, path, post_sets, set_body, stored, text_of
from tests.api.problem_shape import assert_problem

BAD_MEMBERS: list[tuple[dict[str, Any], str]] = [
    ({"performed_at": "2024-03-04T18:00:00"}, "performed_at"),
    ({"performed_at": "2024-03-04 18:00:00Z"}, "performed_at"),
    ({"performed_at": "2023-02-29T18:00:00Z"}, "performed_at"),
    ({"performed_at": "2016-12-31T23:59:60Z"}, "performed_at"),
    ({"performed_at": 1709575200}, "performed_at"),
    ({"set_endpoint": "failure"}, "set_endpoint"),
    ({"load_kg": 1000.5}, "load_kg"),
    ({"load_kg": "80"}, "load_kg"),
    ({"reps": 7.5}, "reps"),
    ({"reps": None}, "reps"),
    ({"reported_rir": 10.5}, "reported_rir"),
    ({"rir_call": {"at_rep": 3}}, "rir_call/reps_left"),
    ({"rir_call": {"at_rep": 0, "reps_left": 1}}, "rir_call/at_rep"),
    ({"note": "a\x00b"}, "note"),
    ({"note": "x" * 501}, "note"),
    ({"set_id": "7"}, "set_id"),
    ({"exercise_order": 31}, "exercise_order"),
    ({"lifter_id": LIFTER}, "lifter_id"),
]


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


async def numbers_of(client: httpx.AsyncClient) -> list[int]:
    """Return the numbers of the stored sets in rising order; none when the lifter is unknown."""
    answer = await client.get(path("sets"), params={"limit": 500})
    if answer.status_code == 404:
        return []
    return sorted(UUID(each["set_id"]).int for each in answer.json()["sets"])


async def test_new_sets_are_201_and_the_same_again_200(client: httpx.AsyncClient) -> None:
    """The ids come in the order sent, both times; nothing is stored twice."""
    sets = [set_body(number) for number in (3, 1, 2)]
    for status in (201, 200, 200):
        answer = await post_sets(client, *sets)
        assert (answer.status_code, answer.json()) == (status, {"set_ids": [id_of(n) for n in (3, 1, 2)]})
        assert answer.headers["cache-control"] == "no-store"
    assert await numbers_of(client) == [1, 2, 3]


async def test_known_and_new_sets_together_are_201(client: httpx.AsyncClient) -> None:
    """Any new set makes it 201."""
    await log(client, set_body(1), set_body(2))
    answer = await post_sets(client, set_body(2), set_body(4), set_body(1))
    assert (answer.status_code, answer.json()["set_ids"]) == (201, [id_of(2), id_of(4), id_of(1)])
    assert await numbers_of(client) == [1, 2, 4]


async def test_equal_content_may_be_written_differently(client: httpx.AsyncClient) -> None:
    """The same instant in another offset, null for what is left out, whole floats, upper-case ids."""
    sent = set_body(0xABC, performed_at="2024-03-04T18:00:00Z", load_kg=80, note="ok")
    await log(client, sent)
    other = stored(sent) | {
        "set_id": id_of(0xABC).upper(),
        "performed_at": "2024-03-04T19:30:00.000+01:30",
        "load_kg": 80.0,
        "reps": 8.0,
    }
    answer = await post_sets(client, other)
    assert (answer.status_code, answer.json()["set_ids"]) == (200, [id_of(0xABC)])


async def test_other_content_is_409_and_nothing_is_stored(client: httpx.AsyncClient) -> None:
    """Each place in conflict is named by its set_id; what was stored stays as it was."""
    await log(client, set_body(1), set_body(2), set_body(3))
    before = (await client.get(path("sets"))).content
    sets = [set_body(9), set_body(1, reps=9), set_body(2), set_body(3, note="other"), set_body(8)]
    answer = await post_sets(client, *sets)
    assert_problem(answer, 409, "#/sets/1/set_id", "#/sets/3/set_id")
    assert (await client.get(path("sets"))).content == before


async def test_a_refused_first_batch_makes_no_lifter(client: httpx.AsyncClient) -> None:
    """Neither a fault nor a conflict leaves anything behind."""
    assert_problem(await post_sets(client, set_body(1), set_body(1, reps=9)), 409, "#/sets/1/set_id")
    assert_problem(await post_sets(client, set_body(1, reps=-1)), 422, "#/sets/0/reps")
    assert_problem(await client.get(path()), 404)


async def test_the_same_id_twice_in_a_body_needs_equal_content(client: httpx.AsyncClient) -> None:
    """Equal is stored once; different is 409 at the later place."""
    answer = await post_sets(client, set_body(1), set_body(2), set_body(1))
    assert (answer.status_code, answer.json()["set_ids"]) == (201, [id_of(1), id_of(2), id_of(1)])
    assert await numbers_of(client) == [1, 2]
    twice = [set_body(5), set_body(5, load_kg=80), set_body(6)]
    assert_problem(await post_sets(client, *twice), 409, "#/sets/1/set_id")
    assert await numbers_of(client) == [1, 2]


async def test_ids_that_are_left_out_are_made(client: httpx.AsyncClient) -> None:
    """UUIDs of version 7 (RFC 9562), one for each set, in the order sent; a set sent twice is then stored twice."""
    sets = [set_body(1, set_id=None, note="first"), set_body(2), set_body(3, note="third")]
    del sets[2]["set_id"]
    made = (await post_sets(client, *sets)).json()["set_ids"]
    assert made[1] == id_of(2)
    assert [UUID(made[place]).version for place in (0, 2)] == [7, 7]
    for set_id, note in ((made[0], "first"), (made[2], "third")):
        assert (await client.get(path("sets", set_id))).json()["note"] == note
    again = await post_sets(client, *sets)
    assert again.status_code == 201
    assert len(await numbers_of(client)) == 5


async def test_every_member_is_kept_as_it_was_sent(client: httpx.AsyncClient) -> None:
    """What is read back is what was sent, null where nothing was; also by MessagePack."""
    full = set_body(
        1,
        performed_at="2024-03-04T19:30:00.123456-03:30",
        load_kg=82.125,
        set_endpoint="momentary_failure",
        reported_rir=0.5,
        rir_call={"at_rep": 6, "reps_left": 2.5},
        prescribed_rir=2,
        exercise_order=3,
        set_order=30,
        velocity_loss_percent=21.7,
        note='grip slipped \u2192 \U0001f4aa "quoted"\n',
    )
    sets = [full, set_body(2, load_kg=0, reps=0)]
    packed = {"content-type": MESSAGEPACK, "accept": MESSAGEPACK}
    answer = await client.post(path("sets"), content=msgspec.msgpack.encode({"sets": sets}), headers=packed)
    assert answer.status_code == 201
    assert msgspec.msgpack.decode(answer.content) == {"set_ids": [id_of(1), id_of(2)]}
    for sent in sets:
        assert (await client.get(path("sets", sent["set_id"]))).json() == stored(sent)
    page = await client.get(path("sets"), headers=packed)
    assert msgspec.msgpack.decode(page.content)["sets"] == [stored(full), stored(sets[1])]


async def test_one_bad_set_among_200_stores_none(client: httpx.AsyncClient) -> None:
    """The answer names its index; without it all 200 are taken."""
    sets = [set_body(number) for number in range(1, 201)]
    spoiled = [*sets[:137], set_body(138, reps=201), *sets[138:]]
    assert_problem(await post_sets(client, *spoiled), 422, "#/sets/137/reps")
    assert await numbers_of(client) == []
    answer = await post_sets(client, *sets)
    assert (answer.status_code, len(answer.json()["set_ids"])) == (201, 200)
    assert await numbers_of(client) == list(range(1, 201))


async def test_faults_of_several_sets_are_told_together(client: httpx.AsyncClient) -> None:
    """Types, catalogue, clock, and members that belong together, in one answer."""
    sets = [
        set_body(1, exercise="leg_pres", reps="8"),
        set_body(2),
        set_body(3, performed_at=text_of(now() + timedelta(hours=49)), colour="red"),
        set_body(4, rir_call={"at_rep": 9, "reps_left": 1}, exercise="squat rack"),
        {"set_id": "x", "performed_at": "1999-12-31T23:59:59Z"},
    ]
    missing = [f"#/sets/4/{name}" for name in ("exercise", "load_kg", "reps", "set_endpoint")]
    places = [
        *("#/sets/0/exercise", "#/sets/0/reps", "#/sets/2/performed_at", "#/sets/2/colour"),
        *("#/sets/3/rir_call/at_rep", "#/sets/3/exercise", "#/sets/4/set_id", "#/sets/4/performed_at"),
        *missing,
    ]
    problem = assert_problem(await post_sets(client, *sets), 422, *places)
    told = {entry["pointer"]: entry["detail"] for entry in problem["errors"]}
    assert "leg_press" in told["#/sets/0/exercise"]
    assert await numbers_of(client) == []


async def test_faults_that_types_cannot_see_are_told_alone_too(client: httpx.AsyncClient) -> None:
    """The same places when nothing else is wrong."""
    sets = [
        set_body(1, exercise="leg_pres"),
        set_body(2, performed_at=text_of(now() + timedelta(hours=49))),
        set_body(3, reps=5, rir_call={"at_rep": 6, "reps_left": 0}),
        set_body(4, performed_at="2000-01-01T00:30:00+01:00"),
    ]
    places = [
        "#/sets/0/exercise",
        "#/sets/1/performed_at",
        "#/sets/2/rir_call/at_rep",
        "#/sets/3/performed_at",
    ]
    assert_problem(await post_sets(client, *sets), 422, *places)


async def test_the_edges_of_the_contract_are_taken(client: httpx.AsyncClient) -> None:
    """A phone's clock two days ahead, the first instant of the century, the heaviest and lightest sets."""
    ahead = text_of(now() + timedelta(hours=47, minutes=59))
    answer = await post_sets(
        client,
        set_body(1, performed_at="2000-01-01T00:00:00Z", load_kg=1000, reps=200, note="x" * 500),
        set_body(2, performed_at=ahead, load_kg=0, reps=0, reported_rir=10, prescribed_rir=0),
        set_body(3, rir_call={"at_rep": 8, "reps_left": 10}, exercise_order=30, set_order=1),
        set_body(4, performed_at="2024-02-29T23:59:59.999999999+23:59", velocity_loss_percent=100),
    )
    assert answer.status_code == 201
    assert await numbers_of(client) == [1, 2, 3, 4]


async def test_a_bad_member_is_named(client: httpx.AsyncClient) -> None:
    """One in each of many sets, all told at once."""
    sets = [set_body(number, **members) for number, (members, _) in enumerate(BAD_MEMBERS)]
    places = [f"#/sets/{index}/{place}" for index, (_, place) in enumerate(BAD_MEMBERS)]
    assert_problem(await post_sets(client, *sets), 422, *places)


async def test_0_and_201_sets_are_refused(client: httpx.AsyncClient) -> None:
    """As is a body without `sets`, or with anything beside it."""
    many = [set_body(number) for number in range(1, 202)]
    for body, place in (
        ({"sets": []}, "#/sets"),
        ({"sets": many}, "#/sets"),
        ({}, "#/sets"),
        ({"sets": None}, "#/sets"),
        ({"sets": [None]}, "#/sets/0"),
        ({"sets": many[:1], "lifter": LIFTER}, "#/lifter"),
    ):
        assert_problem(await client.post(path("sets"), json=body), 422, place)
    assert await numbers_of(client) == []
