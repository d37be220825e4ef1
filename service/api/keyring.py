"""Who is calling: bearer keys, looked up once and remembered for at most five seconds."""

import asyncio
import hashlib
import logging
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any

from litestar import Request
from litestar.connection import ASGIConnection
from litestar.handlers import BaseRouteHandler

from service.api.clock import now
from service.errors import Forbidden, StorageUnavailable, Unauthenticated
from service.storage.engine import Store, reading, writing
from service.storage.keys import Principal, find_principal, note_use, use_is_due

REMEMBERED_SECONDS = 5.0
MOST_REMEMBERED = 4096
LONGEST_TOKEN = 200
SCHEME = "bearer "
_log = logging.getLogger("service.api")


class KeyRing:
    """Principals of live keys. Remembers by a hash of the token; never the token."""

    def __init__(
        self,
        store: Store,
        *,
        now: Callable[[], datetime] = now,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store = store
        self._now = now
        self._monotonic = monotonic
        self._known: dict[bytes, tuple[float, Principal]] = {}
        self._noting: set[asyncio.Task[None]] = set()

    def remembered(self, token: str) -> Principal | None:
        """Return the principal of a key seen within the last seconds and not expired since, else None."""
        found = self._known.get(hashlib.sha256(token.encode()).digest())
        if found is None or found[0] < self._monotonic():
            return None
        principal = found[1]
        if principal.expires_at is not None and principal.expires_at <= self._now():
            return None
        return principal

    async def principal(self, authorization: str) -> Principal:
        """Return who sent the Authorization header. Raises Unauthenticated, StorageUnavailable."""
        token = authorization[len(SCHEME) :].strip()
        malformed = authorization[: len(SCHEME)].lower() != SCHEME or not token.isascii()
        if malformed or not token or len(token) > LONGEST_TOKEN:
            raise Unauthenticated("send Authorization: Bearer <API key> with a live key")
        return self.remembered(token) or await self._look_up(token)

    async def _look_up(self, token: str) -> Principal:
        async with reading(self._store) as session:
            principal = await find_principal(session, token, now=self._now())
        if principal is None:
            raise Unauthenticated("send Authorization: Bearer <API key> with a live key")
        if len(self._known) >= MOST_REMEMBERED:
            self._known.clear()
        digest = hashlib.sha256(token.encode()).digest()
        self._known[digest] = (self._monotonic() + REMEMBERED_SECONDS, principal)
        if use_is_due(principal, now=self._now()):
            task = asyncio.create_task(self._note_use(principal))
            self._noting.add(task)
            task.add_done_callback(self._noting.discard)
        return principal

    async def _note_use(self, principal: Principal) -> None:
        try:
            async with writing(self._store) as session:
                await note_use(session, key_id=principal.key_id, now=self._now())
        except StorageUnavailable:
            _log.warning("could not note the use of a key; the request is not affected")

    async def close(self) -> None:
        """Wait for uses still being noted."""
        if self._noting:
            await asyncio.wait(set(self._noting))


async def authorise(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Let in keys with all scopes the handler names in `scopes`; a handler without any is open.

    The principal waits in the connection's scope. Raises Unauthenticated, Forbidden, StorageUnavailable.
    """
    scopes: tuple[str, ...] = handler.opt.get("scopes", ())
    if not scopes:
        return
    ring: KeyRing = connection.app.state.keyring
    principal = await ring.principal(connection.headers.get("authorization", ""))
    for scope in scopes:
        if scope not in principal.scopes:
            raise Forbidden(scope)
    connection.scope["effort_principal"] = principal  # type: ignore[typeddict-unknown-key]  # ours


def principal_of(request: Request[Any, Any, Any]) -> Principal:
    """Return who sent a request to a handler with `scopes`."""
    principal: Principal = request.scope["effort_principal"]  # type: ignore[typeddict-item]  # ours
    return principal
