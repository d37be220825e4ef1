"""What is nobody's wish: a defect of ours, a caller who hangs up."""

import logging
from typing import Any

import httpx
import pytest

from service.app import create_app
from service.policy.catalogue import Policies, load_policies
from tests.api.problem_shape import assert_problem
from tests.serving import BASE, lifespan_of, make_key, settings_for

INNARDS = "the name of a table"
BODY = {"rep_target": 8}


class Defective(Policies, frozen=True):
    """Policies that fail in a way nobody foresaw."""

    def get(self, version: str | None) -> Any:  # noqa: ARG002 - the signature is the parent's
        """Fail."""
        raise ZeroDivisionError(INNARDS)


@pytest.fixture(params=[True, False], ids=["shortcut", "documented way"])
def shortcut(request: pytest.FixtureRequest) -> bool:
    """Both ways to the prescription."""
    return bool(request.param)


async def test_a_defect_is_told_by_its_request_id_only(
    database_url: str, shortcut: bool, caplog: pytest.LogCaptureFixture
) -> None:
    """The caller gets the id, the log gets the cause under the same id."""
    key = await make_key(database_url)
    defective = Defective(load_policies().versions)
    app = create_app(settings_for(database_url), policies=defective, shortcut=shortcut)
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)  # type: ignore[arg-type]  # ASGI by shape
    headers = {"authorization": f"Bearer {key.token}", "x-request-id": "gym-7"}
    async with lifespan_of(app), httpx.AsyncClient(transport=transport, base_url=BASE) as client:
        for _ in range(2):
            response = await client.post("/v1/prescriptions", json=BODY, headers=headers)
            assert_problem(response, 500)
            assert INNARDS not in response.text
    (first, second) = caplog.records
    assert "gym-7" in first.getMessage()
    assert INNARDS in str(first.exc_info and first.exc_info[1])
    assert second.levelno == logging.ERROR


async def test_a_caller_who_hangs_up_is_no_defect(
    database_url: str, shortcut: bool, caplog: pytest.LogCaptureFixture
) -> None:
    """Half a body and nobody there: nothing to alarm anybody about."""
    key = await make_key(database_url)
    app = create_app(settings_for(database_url), shortcut=shortcut)
    pairs = {
        "authorization": f"Bearer {key.token}",
        "content-type": "application/json",
        "content-length": "99",
    }
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": "/v1/prescriptions",
        "raw_path": b"/v1/prescriptions",
        "root_path": "",
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in pairs.items()],
        "client": None,
        "server": None,
    }
    async with lifespan_of(app):
        for _ in range(2):
            half = {"type": "http.request", "body": b'{"rep_ta', "more_body": True}
            coming = iter([half, {"type": "http.disconnect"}])
            sent: list[dict[str, Any]] = []

            async def receive(coming: Any = coming) -> dict[str, Any]:
                return dict(next(coming))

            async def send(message: dict[str, Any], sent: list[dict[str, Any]] = sent) -> None:
                sent.append(message)

            await app(dict(scope), receive, send)
            assert sent[0]["status"] == 400
    assert caplog.records == []
