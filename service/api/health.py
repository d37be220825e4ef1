"""Whether the process lives and whether it should be sent requests."""

from typing import Any, Literal

from litestar import Request, Response, get
from msgspec import Struct

from service.api.answers import answer
from service.api.readiness import Readiness
from service.errors import NotReady

TAGS = ["Health"]


class Live(Struct, frozen=True, kw_only=True):
    """The process answers."""

    status: Literal["live"] = "live"


class Ready(Struct, frozen=True, kw_only=True):
    """Database reachable, schema new enough, policy loaded, nobody told it to stop."""

    status: Literal["ready"] = "ready"
    policy: str


@get("/health/live", operation_id="getLiveness", summary="Is the process alive", tags=TAGS)
async def live(request: Request[Any, Any, Any]) -> Response[Live]:
    """200 as long as the process answers. Restart it when it does not."""
    return answer(request, Live())


@get(
    "/health/ready",
    operation_id="getReadiness",
    summary="Is the service ready",
    tags=TAGS,
    problems=(503,),
)
async def ready(request: Request[Any, Any, Any]) -> Response[Ready]:
    """200 when requests may be sent, else 503 with every failing check in `errors`. Looked at once a second.

    Checks: `database` (it answers within 2 s), `schema` (migrated), `draining` (the process was told to stop).
    """
    readiness: Readiness = request.app.state.readiness
    if faults := await readiness.faults():
        raise NotReady(faults)
    return answer(request, Ready(policy=request.app.state.policies.newest.version))
