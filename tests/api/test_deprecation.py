"""Operations that go away: told in headers and document, refused after their day. On routes of this test only."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta, timezone
from email.utils import parsedate_to_datetime
from typing import Any

import httpx
import pytest
from litestar import Litestar, Request, Response, get

from service.api.answers import answer
from service.api.clock import now
from service.api.deprecation import Deprecation
from service.api.document import build_document
from service.api.edge import with_edge
from service.api.health import Live
from service.api.observing import route_finder, with_observation
from service.app import HANDLERS, litestar_app
from service.policy.catalogue import load_policies
from tests.api.problem_shape import assert_problem
from tests.serving import BASE, lifespan_of, settings_for

SINCE = datetime(2023, 6, 30, 23, 59, 59, tzinfo=UTC)  # the instant of RFC 9745, section 2.1: @1688169599
LATER = now().replace(microsecond=0) + timedelta(days=200)
PAST = datetime(2024, 1, 1, tzinfo=timezone(timedelta(hours=1)))


def declared(**more: Any) -> Deprecation:
    """Return a declaration with these members besides."""
    told = {"since": SINCE, "instead": "Use GET /new.", "explained_at": "/problems/gone", "successor": "/new"}
    return Deprecation(**told | more)


def route(path: str, deprecation: Deprecation, **opt: Any) -> Any:
    """Return a handler that answers as /health/live does."""

    @get(
        path,
        operation_id=f"get{path[1:].title()}",
        summary="x",
        tags=["Health"],
        deprecation=deprecation,
        **opt,
    )
    async def handler(request: Request[Any, Any, Any]) -> Response[Live]:
        """Old."""
        return answer(request, Live())

    return handler


ROUTES = (
    route("/aging", declared()),
    route("/ending", declared(sunset=LATER)),
    route("/ended", declared(sunset=PAST)),
    route("/guarded", declared(sunset=PAST), scopes=("admin",)),
)


def old_app(url: str) -> Litestar:
    """Return the application with this test's routes besides."""
    app = litestar_app(settings_for(url), load_policies())
    for handler in ROUTES:
        app.register(handler)
    return app


@asynccontextmanager
async def old_service(url: str) -> AsyncIterator[httpx.AsyncClient]:
    """A client of that application inside its outer layers."""
    app = old_app(url)
    state = app.state
    whole = with_observation(
        with_edge(app, None), route_of=route_finder(app), metrics=state.metrics, teller=state.teller
    )
    transport = httpx.ASGITransport(app=whole)  # type: ignore[arg-type]  # ASGI by shape
    async with lifespan_of(whole), httpx.AsyncClient(transport=transport, base_url=BASE) as client:
        yield client


async def test_a_deprecated_operation_says_so_in_every_answer() -> None:
    """RFC 9745: a Date of RFC 9651 (`@` and seconds) and a link; RFC 8594: an HTTP date. On HEAD and errors too."""
    async with old_service("sqlite:///unused.db") as client:
        for found in (
            await client.get("/aging"),
            await client.head("/aging"),
            await client.get("/aging?no=1"),
        ):
            assert found.headers["deprecation"] == "@1688169599"
            assert found.links["deprecation"] == {
                "url": "/problems/gone",
                "rel": "deprecation",
                "type": "text/html",
            }
            assert found.links["successor-version"]["url"] == "/new"
            assert "sunset" not in found.headers
        for served in (await client.get("/aging"), ending := await client.get("/ending")):
            assert (served.status_code, served.json()) == (200, {"status": "live"})
        assert parsedate_to_datetime(ending.headers["sunset"]) == LATER
        assert ending.headers["sunset"].endswith(" GMT")
        assert ending.links["sunset"]["url"] == "/problems/gone"
        assert "deprecation" not in (await client.get("/health/live")).headers


async def test_after_its_sunset_an_operation_is_gone_and_says_what_to_use() -> None:
    """410 with the way out, and the headers still; who has no key learns nothing."""
    async with old_service("sqlite:///unused.db") as client:
        gone = await client.get("/ended")
        problem = assert_problem(gone, 410)
        assert problem["type"] == "/problems/gone"
        assert problem["detail"] == "this operation ended on 2024-01-01. Use GET /new."
        assert gone.headers["sunset"] == "Sun, 31 Dec 2023 23:00:00 GMT"
        assert gone.links["successor-version"]["url"] == "/new"
        assert_problem(await client.get("/guarded"), 401)


def test_the_document_says_what_goes_away() -> None:
    """`deprecated`, since when, until when, what instead; 410 only where there is an end."""
    paths = build_document(old_app("sqlite:///unused.db"))["paths"]
    aging, ending = paths["/aging"]["get"], paths["/ending"]["get"]
    assert aging["deprecated"] is ending["deprecated"] is True
    assert aging["description"] == "Deprecated since 2023-06-30. Use GET /new.\n\nOld."
    assert f"answered with 410 from {LATER:%Y-%m-%d} on" in ending["description"]
    assert {"Deprecation", "Link"} <= set(aging["responses"]["200"]["headers"])
    assert "Sunset" in ending["responses"]["200"]["headers"]
    assert ("410" in aging["responses"], "410" in ending["responses"]) == (False, True)
    assert "deprecated" not in paths["/health/live"]["get"]


def test_nothing_that_is_shipped_is_deprecated_by_accident() -> None:
    """Whoever deprecates an operation writes it down here and in the changelog."""
    assert [handler.operation_id for handler in HANDLERS if handler.opt.get("deprecation")] == []


@pytest.mark.parametrize(
    "members",
    [{"since": datetime(2023, 1, 1)}, {"sunset": SINCE - timedelta(days=1)}],  # noqa: DTZ001 - refused
)
def test_a_declaration_without_sense_is_refused(members: dict[str, Any]) -> None:
    """An instant without an offset, an end before the beginning."""
    with pytest.raises(ValueError, match="in this order"):
        declared(**members)
