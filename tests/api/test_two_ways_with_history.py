"""The shortcut of a lifter's prescription and the documented way answer alike: status, headers and body."""

import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from service.api import lifter_prescriptions
from tests.api.hostile_bodies import REFUSED, UNREADABLE, changed_bodies
from tests.api.test_two_ways import JSON, plain_body, plain_headers
from tests.databases import fresh_database
from tests.serving import make_key, served

Headers = list[tuple[bytes, bytes]]
PATH = "/v1/lifters/lark-4/prescriptions"
NOW = datetime(2025, 11, 20, 18, 30, tzinfo=UTC)
GOOD = b'{"rep_target": 8, "load_kg": 75, "exercise": "leg_press", "set_order": 1}'
CHANGED_BODIES = 200

QUERIES = (
    "",
    "?detail=full",
    "?detail=brief",
    "?suggest_load=true",
    "?suggest_load=false",
    "?detail=brief&suggest_load=true",
    "?suggest_load=true&detail=brief",
    "?detail=brief&detail=brief",
    "?suggest_load",
    "?x=1",
)

PATHS = (
    "/v1/lifters/nobody/prescriptions",
    "/v1/lifters/lark-4/prescriptions/",
    "/v1/lifters/-lark/prescriptions",
    "/v1/lifters/lark%34/prescriptions",
    "/v1/lifters/lark-4%0A/prescriptions",
    "/v1/lifters/la%2Frk/prescriptions",
    f"/v1/lifters/{'a' * 64}/prescriptions",
    f"/v1/lifters/{'a' * 65}/prescriptions",
    "/v1/lifters//prescriptions",
    "/v1/lifters/lark-4/plan-prescriptions",
)

BODIES = (
    b'{"rep_target": 8}',
    b'{"rep_target": 8, "exercise": "leg_press", "at": "2025-11-15T10:00:00Z"}',
    b'{"rep_target": 8, "exercise": "leg_press", "at": "2026-01-20T10:00:00+01:00"}',
    b'{"rep_target": 8, "exercise": "leg_press", "at": "yesterday"}',
    b'{"rep_target": 8, "exercise": "no_such_exercise"}',
    b'{"rep_target": 8, "exercise": "leg_press", "exercise_traits": {"joints": "multi"}}',
    b'{"rep_target": 8, "exercise_traits": {"joints": "multi", "muscles": {"quadriceps": 1}}}',
    b'{"rep_target": 8, "exercise_traits": {"joints": "multi", "muscles": {"no_such_muscle": 1}}}',
    b'{"rep_target": 8, "cautions": ["pregnancy", "pregnancy"]}',
    b'{"rep_target": 8, "cautions": ["warning_signs"]}',
    b'{"rep_target": 8, "policy": "1999-01-01"}',
    b'{"rep_target": 8, "policy": "1999-01-01", "exercise_order": 3, "exercises_in_session": 2}',
)


@dataclass
class Pair:
    """A client each way, on one database; the keys they may use."""

    short: httpx.AsyncClient
    documented: httpx.AsyncClient
    token: str
    weak_token: str
    elsewhere_token: str


def _sets() -> list[dict[str, Any]]:
    return [
        {
            "performed_at": (NOW - timedelta(days=9 - number // 3, minutes=number)).isoformat(),
            "exercise": ("leg_press", "barbell_bench_press")[number % 2],
            "load_kg": 80 + number,
            "reps": 8,
            "set_endpoint": ("planned_stop", "momentary_failure")[number // 3 % 2],
            "reported_rir": 2,
        }
        for number in range(24)
    ]


@pytest.fixture
async def pair(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Pair]:
    """Both at one instant, so that what is asked at `now` is the same."""
    monkeypatch.setattr(lifter_prescriptions, "now", lambda: NOW)
    with fresh_database("sqlite") as url:
        key = await make_key(url, "prescribe", "history:read", "history:write")
        weak = await make_key(url, "prescribe")
        async with served(url, token=key.token) as client:
            made = await client.put("/v1/lifters/lark-4", json={"experience": "novice"})
            assert made.status_code == 201
            assert (await client.post("/v1/lifters/lark-4/sets", json={"sets": _sets()})).status_code == 201
        elsewhere = await make_key(url, "prescribe", "history:read", tenant="another-gym")
        async with (
            served(url, token=key.token, shortcut=True, monotonic=lambda: 0.0) as short,
            served(url, token=key.token, shortcut=False, monotonic=lambda: 0.0) as documented,
        ):
            both = Pair(short, documented, key.token, weak.token, elsewhere.token)
            for token in (key.token, weak.token, elsewhere.token):
                for _ in range(
                    2
                ):  # the first request makes the key known, and what is left of its quota equal
                    await ask(both, GOOD, [JSON], token=token)
            yield both


async def ask(
    pair: Pair, content: bytes, headers: Headers, path: str = PATH, token: str | None = None
) -> list[httpx.Response]:
    """Return both answers."""
    answers = []
    for client in (pair.short, pair.documented):
        request = client.build_request("POST", path, content=content)
        length = (b"content-length", str(len(content)).encode())
        key = (b"authorization", b"Bearer " + (token or pair.token).encode())
        request.headers = httpx.Headers([(b"host", b"service.test"), length, key, *headers])
        answers.append(await client.send(request))
    return answers


async def assert_alike(
    pair: Pair, content: bytes, headers: Headers, path: str = PATH, token: str | None = None
) -> httpx.Response:
    """Ask both ways and compare everything but the name of the request; return one answer."""
    answers = await ask(pair, content, headers, path, token)
    told = [(answer.status_code, plain_headers(answer), plain_body(answer)) for answer in answers]
    assert told[0] == told[1]
    assert answers[0].status_code < 500
    return answers[0]


async def test_queries_are_answered_alike(pair: Pair) -> None:
    """Known, unknown and repeated parameters; history did fill in what was left out."""
    for query in QUERIES:
        found = await assert_alike(pair, GOOD, [JSON], PATH + query)
        if found.status_code == 200:
            assert found.json()["context_used"]["exposures"] > 1
            assert ("suggested_load" in found.json()) == ("suggest_load=true" in query)


async def test_addresses_are_answered_alike(pair: Pair) -> None:
    """Lifters nobody knows, ids that are none, other routes."""
    for path in PATHS:
        await assert_alike(pair, GOOD, [JSON], path)


async def test_contexts_are_answered_alike(pair: Pair) -> None:
    """Good ones, refused ones, instants before and after what is stored."""
    for body in BODIES:
        await assert_alike(pair, body, [JSON])


async def test_keys_are_answered_alike(pair: Pair) -> None:
    """One that may not read histories, one of another tenant, none."""
    assert (await assert_alike(pair, GOOD, [JSON], token=pair.weak_token)).status_code == 403
    cold = await assert_alike(pair, GOOD, [JSON], token=pair.elsewhere_token)
    assert "exposures" not in cold.json()["context_used"] or cold.json()["context_used"]["exposures"] is None
    unknown = await assert_alike(pair, GOOD, [JSON], token="no-key")  # noqa: S106 - it is none
    assert unknown.status_code == 401


async def test_hostile_bodies_are_answered_alike(pair: Pair) -> None:
    """What the shortcut cannot read, the documented way explains."""
    for body in [*UNREADABLE.values(), *REFUSED.values()]:
        await assert_alike(pair, body, [JSON])


async def test_changed_bodies_are_answered_alike(pair: Pair) -> None:
    """Bytes put into a good body at random places, the same ones every time."""
    bodies = changed_bodies(GOOD, CHANGED_BODIES)
    seen = {(await assert_alike(pair, body, [JSON])).status_code for body in bodies}
    assert seen == {200, 400, 422}


async def test_a_prescription_is_the_stateless_one_of_its_context(pair: Pair) -> None:
    """Both ways, the context used says everything."""
    for answer in await ask(pair, GOOD, [JSON]):
        told = answer.json()
        stateless = await pair.documented.post("/v1/prescriptions", json=told["context_used"])
        assert stateless.json() == {name: told[name] for name in stateless.json()}
        assert json.dumps(stateless.json()["reasons"]) == json.dumps(told["reasons"])
