"""What a handler that changes something tells the audit, in the transaction of the change.

Call it once, and only when something did change: a replay, or a set that was known already, leaves no second entry.
"""

from datetime import datetime
from typing import Any
from uuid import UUID

from litestar import Request

from service.api.keyring import principal_of
from service.storage.audit import Entry, Outcome, record
from service.storage.engine import Writing
from service.storage.keys import Principal


def actor_of(principal: Principal) -> str:
    """Return who sent a request, as the audit names it: a key by its id, a token's subject by a hash."""
    return f"{principal.kind}:{principal.key_id}"


async def audited(
    w: Writing,
    request: Request[Any, Any, Any],
    outcome: Outcome,
    *,
    at: datetime,
    lifter_id: str | None = None,
    object_id: str | None = None,
    sets: int = 0,
) -> UUID:
    """Return the id of the entry about what this request did: to a lifter, or to a key or site (`object_id`).

    The operation is the handler's own. Raises StorageUnavailable.
    """
    caller = principal_of(request)
    entry = Entry(
        actor=actor_of(caller),
        operation=str(request.route_handler.operation_id),
        outcome=outcome,
        at=at,
        lifter_id=lifter_id,
        object_id=object_id,
        request_id=request.scope["effort_request_id"],  # type: ignore[typeddict-item]  # ours
        sets=sets,
    )
    return await record(w, caller.tenant_id, entry)
