"""Lines of requests: what an operator needs, under the id the caller knows, and nothing that was sent."""

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import pytest

from tests.databases import fresh_database
from tests.serving import make_key, served

TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
PARENT = f"00-{TRACE}-{SPAN}-01"
BODY = {"rep_target": 8}


class Logged:
    """A client, and the lines there are once it is closed."""

    def __init__(self, client: httpx.AsyncClient, key_id: str) -> None:
        self.client = client
        self.key_id = key_id
        self.lines: list[dict[str, Any]] = []


@asynccontextmanager
async def logged(
    capfd: pytest.CaptureFixture[str], *, shortcut: bool = True, **environ: str
) -> AsyncIterator[Logged]:
    """Yield a client of a service that logs every request unless `environ` says otherwise."""
    with fresh_database("sqlite") as url:
        key = await make_key(url, "prescribe", "history:read")
        environ = {"EFFORT_LOG_REQUESTS": "all", **environ}
        async with served(url, token=key.token, shortcut=shortcut, **environ) as client:
            found = Logged(client, key.key_id)
            yield found
    found.lines = [json.loads(line) for line in capfd.readouterr().err.splitlines()]


@pytest.mark.parametrize("shortcut", [True, False], ids=["shortcut", "documented way"])
async def test_a_line_says_what_came_and_how_it_went(
    capfd: pytest.CaptureFixture[str], shortcut: bool
) -> None:
    """Route as template, status, time, lengths, the key's public id, the caller's request id and trace."""
    headers = {"x-request-id": "gym-7", "traceparent": PARENT}
    async with logged(capfd, shortcut=shortcut) as service:
        await service.client.post("/v1/prescriptions", json=BODY)  # the key is remembered from here on
        answer = await service.client.post("/v1/prescriptions?detail=brief", json=BODY, headers=headers)
    line = service.lines[1]
    assert answer.headers["x-request-id"] == "gym-7"
    assert "traceparent" not in answer.headers
    assert line.pop("time").endswith("Z")
    assert 0 < line.pop("duration_seconds") < 30
    assert line.pop("pid") > 0
    assert len(line.pop("span_id")) == 16
    assert line == {
        "level": "info",
        "event": "request",
        "method": "POST",
        "route": "/v1/prescriptions",
        "status": 200,
        "request_bytes": len(answer.request.content),
        "response_bytes": len(answer.content),
        "request_id": "gym-7",
        "trace_id": TRACE,
        "parent_span_id": SPAN,
        "key": service.key_id,
    }


async def test_a_refusal_names_its_problem(capfd: pytest.CaptureFixture[str]) -> None:
    """Without a key there is none to name, where no route is there is none either."""
    async with logged(capfd) as service:
        await service.client.get("/v1/lifters/lark-4/state", headers={"authorization": ""})
        await service.client.get("/nothing/lark-4?q=lark-4")
    refused, lost = service.lines
    assert (refused["route"], refused["status"], refused["problem"]) == (
        "/v1/lifters/{lifter_id}/state",
        401,
        "unauthenticated",
    )
    assert (lost["status"], lost["problem"]) == (404, "not-found")
    assert "key" not in refused
    assert "route" not in lost


@pytest.mark.parametrize(
    ("headers", "continued"),
    [
        ([("traceparent", PARENT)], True),
        ([("traceparent", PARENT.upper())], False),
        ([("traceparent", f"00-{'0' * 32}-{SPAN}-01")], False),
        ([("traceparent", PARENT), ("traceparent", PARENT)], False),
        ([("tracestate", "gym=1")], False),
        ([], False),
    ],
)
async def test_a_valid_trace_is_continued_and_any_other_begun_anew(
    capfd: pytest.CaptureFixture[str], headers: list[tuple[str, str]], continued: bool
) -> None:
    """With a span of our own either way. Of two parents neither is believed."""
    async with logged(capfd) as service:
        answer = await service.client.get("/health/live", headers=headers)
    (line,) = service.lines
    assert (line["trace_id"] == TRACE) == continued
    assert ("parent_span_id" in line) == continued
    assert line["span_id"] != SPAN
    assert continued or line["trace_id"] == answer.headers["x-request-id"]


async def test_ids_are_new_for_every_request(capfd: pytest.CaptureFixture[str]) -> None:
    """Unless the caller gives them; what is no id is not taken."""
    async with logged(capfd) as service:
        for sent in ("", "a b", "x" * 65, "caf\u00e9"):
            await service.client.get("/health/live", headers={"x-request-id": sent.encode()})
    for name in ("request_id", "trace_id", "span_id"):
        assert len({line[name] for line in service.lines}) == 4


@pytest.mark.parametrize(
    ("environ", "statuses"),
    [
        ({"EFFORT_LOG_REQUESTS": "all"}, [200, 404, 401]),
        ({"EFFORT_LOG_REQUESTS": "errors"}, [404, 401]),
        ({"EFFORT_LOG_REQUESTS": "off"}, []),
        ({"EFFORT_LOG_LEVEL": "warning"}, []),
    ],
)
async def test_the_operator_chooses_which_requests_are_logged(
    capfd: pytest.CaptureFixture[str], environ: dict[str, str], statuses: list[int]
) -> None:
    """Lines of requests are of level info."""
    async with logged(capfd, **environ) as service:
        for path in ("/health/live", "/nothing", "/v1/lifters/lark-4/state"):
            await service.client.get(path, headers={"authorization": ""})
    assert [line["status"] for line in service.lines] == statuses


async def test_nothing_that_was_sent_is_logged(capfd: pytest.CaptureFixture[str]) -> None:
    """Not in bodies, queries, addresses, headers, nor in a method or request id."""
    canary = "plover-canary-93"
    async with logged(capfd) as service:
        await service.client.post("/v1/prescriptions", json={"rep_target": 8, canary: canary})
        await service.client.get(f"/v1/lifters/{canary}/sets?exercise={canary}&{canary}=1")
        await service.client.get(f"/v1/lifters/{canary}/state", headers={"x-request-id": f"for-{canary}"})
        await service.client.get(
            f"/{canary}", headers={"authorization": f"Bearer {canary}", "x-request-id": canary}
        )
        await service.client.request("PLOVER-CANARY-93", "/v1/muscles")
        hostile = {
            "traceparent": canary,
            "tracestate": canary,
            "user-agent": canary,
            "content-length": canary,
        }
        await service.client.get("/health/live", headers=hostile)
    assert len(service.lines) == 6
    assert "canary" not in json.dumps(service.lines).casefold()
    assert [line["request_id"] for line in service.lines].count("withheld") == 2
