"""Requests that may be sent twice: the same Idempotency-Key gets the first answer again.

The header field is an IETF draft (draft-ietf-httpapi-idempotency-key-header), no standard yet.
"""

import hashlib
from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any

import msgspec
from litestar import Request
from msgspec import Struct

from service.api.admission import matching
from service.api.keyring import principal_of
from service.errors import Fault, InputRefused, StillRunning
from service.storage.engine import Writing
from service.storage.idempotency import OtherBody, Replay, Running, begin, finish, purge

HEADER = "Idempotency-Key"
IDEMPOTENCY_KEY = {
    HEADER.lower(): matching(
        r"^[!-~]{1,255}\Z",
        "1 to 255 visible ASCII characters, sent once",
        "Makes trying again safe: the same key and body get the first answer, for 24 h at least; the key with "
        "another body is 422. (IETF draft.)",
        maxLength=255,
    )
}
REPLAYED_HEADER = {
    "Idempotent-Replayed": {
        "description": "`true` when this is the answer to an earlier request with the same Idempotency-Key.",
        "schema": {"type": "string", "enum": ["true"]},
    }
}
PURGED_AT_ONCE = 10


class Done(Struct, frozen=True, kw_only=True):
    """The answer to a request: status and value; whether it was given before."""

    status: int
    value: Any
    replayed: bool = False

    @property
    def headers(self) -> dict[str, str]:
        """The header that marks a replay."""
        return {"idempotent-replayed": "true"} if self.replayed else {}


async def once(
    w: Writing,
    request: Request[Any, Any, Any],
    lifter_id: str,
    work: Callable[[], Awaitable[Done]],
    *,
    now: datetime,
) -> Done:
    """Return what `work` returns, or what it returned to the same request before, in the transaction of the work.

    Raises InputRefused for a key that belongs to another request, StillRunning, and what `work` raises.
    """
    key = request.headers.get(HEADER)
    if key is None:
        return await work()
    tenant_id = principal_of(request).tenant_id
    digest = await _digest(request)
    match await begin(w, tenant_id, key, digest=digest, lifter_id=lifter_id, now=now):
        case Running():
            raise StillRunning(
                "the first request with this Idempotency-Key has not finished; try again shortly"
            )
        case OtherBody():
            detail = "this key belongs to another request of the last 24 h; use a new one for each request"
            raise InputRefused((Fault(HEADER, detail, "header"),))
        case Replay(status, body):
            return Done(status=status, value=msgspec.json.decode(body), replayed=True)
    done = await work()
    await finish(w, tenant_id, key, status=done.status, body=msgspec.json.encode(done.value))
    await purge(w, tenant_id, now=now, at_most=PURGED_AT_ONCE)
    return done


async def _digest(request: Request[Any, Any, Any]) -> bytes:
    """Hash of what makes the request what it is."""
    essence = request.headers.get("content-type", "").split(";")[0].strip().lower()
    told = "\0".join((request.method, request.scope["path"], essence, ""))
    return hashlib.sha256(told.encode() + await request.body()).digest()
