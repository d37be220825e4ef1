"""Whether the process lives and whether it can do its work."""

from typing import Any, Literal

from litestar import Request, Response, get
from msgspec import Struct

from service.api.answers import answer
from service.storage.migrate import check_ready

TAGS = ["Health"]


class Live(Struct, frozen=True, kw_only=True):
    """The process answers."""

    status: Literal["live"] = "live"


class Ready(Struct, frozen=True, kw_only=True):
    """Database reachable, schema new enough, policy loaded."""

    status: Literal["ready"] = "ready"
    policy: str


@get("/health/live", operation_id="getLiveness", summary="Is the process alive", tags=TAGS)
async def live(request: Request[Any, Any, Any]) -> Response[Live]:
    """200 as long as the process answers."""
    return answer(request, Live())


@get(
    "/health/ready",
    operation_id="getReadiness",
    summary="Is the service ready",
    tags=TAGS,
    problems=(503,),
)
async def ready(request: Request[Any, Any, Any]) -> Response[Ready]:
    """200 when the database is reachable and migrated and a policy is loaded, else 503."""
    await check_ready(request.app.state.store)
    return answer(request, Ready(policy=request.app.state.policies.newest.version))
