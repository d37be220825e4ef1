"""A commit whose answer is lost on the way: nobody knows, so 503 must not be read as "nothing was stored"."""

import httpx

from service.api.problem_types import PROBLEM_TYPES
from tests.api.problem_shape import assert_problem
from tests.ops.cluster import DATABASE, make_database
from tests.ops.wire import wire_to
from tests.postgres import running_postgres
from tests.serving import make_key, served

SETS = "/v1/lifters/wren-3/sets"
DONE = {
    "performed_at": "2026-11-19T18:20:00+01:00",
    "exercise": "leg_press",
    "load_kg": 105,
    "reps": 12,
    "set_endpoint": "planned_stop",
}


async def stored(client: httpx.AsyncClient) -> int:
    """Return how many sets there are."""
    return len((await client.get(SETS)).json()["sets"])


async def test_a_commit_nobody_hears_of_is_503_and_stored_and_its_key_makes_it_once() -> None:
    """PostgreSQL commits, its word is lost: `store-unavailable`; sent again under the same key it is stored once."""
    with running_postgres() as server, wire_to(server.port) as wire:
        straight = make_database(server, DATABASE)
        key = await make_key(straight, "history:read", "history:write")
        async with served(straight.replace(str(server.port), str(wire.port)), token=key.token) as client:
            send = {"json": {"sets": [DONE]}, "headers": {"idempotency-key": "wren-3-2026-11-19"}}
            assert (await client.get(SETS)).status_code == 404
            wire.lose_answer_to(b"INSERT INTO performed_sets", b"COMMIT")
            problem = assert_problem(await client.post(SETS, **send), 503)
            wire.lose_answer_to()
            assert problem["type"] == "/problems/store-unavailable"
            assert "may be unknown" in PROBLEM_TYPES["store-unavailable"].meaning
            assert await stored(client) == 1
            again = await client.post(SETS, **send)
            assert (again.status_code, again.headers["idempotent-replayed"]) == (201, "true")
            assert await stored(client) == 1
