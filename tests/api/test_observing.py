"""The outermost layer, around applications that misbehave."""

import contextlib
import json
import logging
from typing import Any

import httpx
import pytest

from service.api.edge import ASGI
from service.api.observing import with_observation
from service.api.telling import open_teller
from service.observability.cells import Cells
from service.observability.exposition import exposition
from service.observability.logs import JsonLines
from service.observability.metrics import Metrics
from tests.api.problem_shape import assert_problem
from tests.serving import BASE, settings_for

SENT = "lark-4 slept badly"
START = {"type": "http.response.start", "status": 200, "headers": []}


async def fails(_scope: Any, _receive: Any, _send: Any) -> None:
    """Fail before anything was answered."""
    raise ValueError(SENT)


async def fails_midway(_scope: Any, _receive: Any, send: Any) -> None:
    """Fail when a part of the answer is gone."""
    await send(START)
    await send({"type": "http.response.body", "body": b"half", "more_body": True})
    raise ValueError(SENT)


async def get(app: ASGI) -> tuple[httpx.Response | None, str]:
    """Return the answer of `app` inside the layer, None where the connection was broken off, and the metrics."""
    metrics = Metrics(Cells())
    teller = open_teller(settings_for("sqlite:///unused.db"))
    observed = with_observation(app, route_of=lambda _: "/v1/x/{id}", metrics=metrics, teller=teller)
    transport = httpx.ASGITransport(app=observed)  # type: ignore[arg-type]  # ASGI by shape
    answer = None
    async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
        with contextlib.suppress(ValueError):
            answer = await client.get("/v1/x/7", headers={"x-request-id": "gym-7"})
    teller.flush()
    return answer, exposition(metrics.of_all_workers(), {}).decode()


@pytest.mark.parametrize(("app", "begun"), [(fails, False), (fails_midway, True)])
async def test_what_nobody_inside_caught_is_a_problem_a_line_and_a_count(
    app: ASGI, begun: bool, caplog: pytest.LogCaptureFixture
) -> None:
    """An answer that had begun is broken off: nobody takes a part for the whole. The text is told to nobody."""
    caplog.set_level(logging.ERROR, "service.api")
    answer, metrics = await get(app)
    if begun:
        assert answer is None
    else:
        assert answer is not None
        assert assert_problem(answer, 500)["request_id"] == "gym-7"
        assert SENT not in answer.text
    status = 200 if begun else 500
    assert f'http_route="/v1/x/{{id}}",http_response_status_code="{status}"}} 1' in metrics
    assert "http_server_active_requests 0" in metrics
    (record,) = caplog.records
    line = json.loads(JsonLines().format(record))
    assert (line["request_id"], line["exception"][0]["type"]) == ("gym-7", "ValueError")
    assert line["exception"][0]["at"][-1].endswith(app.__name__)  # type: ignore[attr-defined]  # a function
    assert SENT not in json.dumps(line)
