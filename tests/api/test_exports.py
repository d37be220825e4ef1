"""Everything of a lifter to take away: whole, in order, and with an end that shows a cut."""

import json
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from tests.api.gym import LIFTER, day, export, gym, id_of, log, path, set_body, stored

FIRST = {
    "type": "lifter",
    "lifter_id": LIFTER,
    "experience": None,
    "goal": None,
    "cautions": [],
    "site": None,
}


@pytest.fixture
async def client(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A gym's client, on each database."""
    async with gym(database_url) as found:
        yield found


async def lines(client: httpx.AsyncClient) -> list[dict[str, Any]]:
    """Return the lines of the export, each read as JSON."""
    text = (await export(client)).decode()
    assert text.endswith("\n")
    return [json.loads(line) for line in text[:-1].split("\n")]


async def test_an_export_is_json_lines_nobody_keeps(client: httpx.AsyncClient) -> None:
    """Its media type, whatever was asked for, and no copy in caches."""
    await log(client, set_body(1))
    for accept in ("*/*", "application/json", "application/vnd.msgpack", "text/html"):
        answer = await client.get(path("export"), headers={"accept": accept})
        assert answer.headers["content-type"].split(";")[0] == "application/x-ndjson"
        assert answer.headers["cache-control"] == "no-store"
        assert len(answer.content.splitlines()) == 3


async def test_an_export_holds_lifter_sets_and_end(client: httpx.AsyncClient) -> None:
    """Oldest first, equal instants by id, every member there, null where nothing was sent."""
    profile = {"experience": "novice", "goal": "power", "cautions": ["under_18", "pregnancy"]}
    await client.put(path(), json=profile)
    sets = [
        set_body(5, performed_at=day(1), note="two\nlines\u2028\u0085 \U0001f4aa"),
        set_body(1, performed_at="2024-03-05T19:00:00+01:00", rir_call={"at_rep": 2, "reps_left": 3.5}),
        set_body(2, performed_at=day(3), load_kg=0),
        set_body(3, performed_at="2024-03-05T18:00:00.000001Z", reported_rir=0, velocity_loss_percent=12.5),
    ]
    await log(client, *sets)
    first, *between, last = await lines(client)
    assert first == FIRST | profile
    assert between == [{"type": "set", **stored(sets[place])} for place in (1, 0, 3, 2)]
    assert last == {"type": "end", "sets": 4}


async def test_an_export_without_sets_has_two_lines(client: httpx.AsyncClient) -> None:
    """Lifter and end."""
    await client.put(path(), json={})
    assert await lines(client) == [FIRST, {"type": "end", "sets": 0}]


async def test_a_long_history_is_whole(client: httpx.AsyncClient) -> None:
    """At the edge of a piece and beyond two: each set once, in order."""
    numbers = list(range(1, 2501))
    done = 0
    for count in (1000, 2500):
        await log(client, *(set_body(number) for number in numbers[done:count]))
        first, *between, last = await lines(client)
        assert first == FIRST
        assert [each["set_id"] for each in between] == [id_of(number) for number in numbers[:count]]
        assert last == {"type": "end", "sets": count}
        done = count


async def test_what_was_exported_can_be_posted_again(client: httpx.AsyncClient) -> None:
    """The lines of sets are sets as they are taken: to the same lifter nothing new, to another all of it."""
    await log(client, *(set_body(number, reported_rir=1.5) for number in range(1, 6)))
    _, *between, _ = await lines(client)
    sets = [{name: value for name, value in line.items() if name != "type"} for line in between]
    for lifter, status in ((LIFTER, 200), ("moved", 201)):
        answer = await client.post(path("sets", lifter=lifter), json={"sets": sets})
        assert answer.status_code == status
    moved = (await export(client, "moved")).replace(b'"moved"', f'"{LIFTER}"'.encode())
    assert moved == await export(client)
