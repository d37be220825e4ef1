"""Who is calling: bearer keys and tokens, looked up once and remembered for at most five seconds.

While the database does not answer, a key it has vouched for within the last quarter of an hour may still prescribe.
"""

import asyncio
import hashlib
import logging
import time
from collections.abc import Awaitable, Callable, Collection
from datetime import datetime
from typing import Any, NamedTuple

from litestar import Request
from litestar.connection import ASGIConnection
from litestar.handlers import BaseRouteHandler

from service.api.clock import now
from service.api.quotas import turn_away
from service.errors import BoundToSites, Forbidden, SettingsInvalid, StorageUnavailable, Unauthenticated
from service.settings import Settings
from service.storage.engine import Store, reading
from service.storage.keys import Principal, find_principal, note_use, use_is_due
from service.storage.tenancy import writing_within

REMEMBERED_SECONDS = 5.0
# How long a key seen alive stays good for prescriptions without history when the database cannot be asked, and how long
# such a request waits to find out.
TRUSTED_SECONDS, PATIENCE_SECONDS = 900.0, 1.0
PRESCRIBE, ADMIN = frozenset({"prescribe"}), "admin"
MOST_REMEMBERED = 4096
LONGEST_KEY, LONGEST_TOKEN, DOTS_OF_TOKEN = 200, 8192, 2
SCHEME = "bearer "
_UNAUTHENTICATED = "send Authorization: Bearer <API key or token> with a live one"
_log = logging.getLogger("service.api")


Judge = Callable[[str], Awaitable[Principal | None]]


class _Seen(NamedTuple):
    """A live key: what it may do until `until`, and until `prescribes_until` when nobody can be asked."""

    principal: Principal
    until: float
    prescribes_until: float
    checked_at: float


class KeyRing:
    """Principals of live keys and tokens. Remembers by a hash of the text; never the text.

    `judge` says who sent a token of the issuer that the operator has named, if any.
    """

    def __init__(
        self,
        store: Store,
        judge: Judge | None = None,
        *,
        now: Callable[[], datetime] = now,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store = store
        self._judge = judge
        self._now = now
        self._monotonic = monotonic
        self._known: dict[bytes, _Seen] = {}
        self._asking: dict[bytes, asyncio.Task[Principal | None]] = {}
        self._noting: set[asyncio.Task[None]] = set()

    def remembered(self, token: str, scopes: Collection[str] = PRESCRIBE) -> Principal | None:
        """Return the principal of a key seen alive within the last seconds and not expired since, else None.

        Only for `prescribe` alone also within the seconds after the database was found not to answer.
        """
        found = self._known.get(_digest(token))
        if found is None or not self._is_live(found.principal):
            return None
        until = found.prescribes_until if PRESCRIBE.issuperset(scopes) else found.until
        return None if until < self._monotonic() else found.principal

    def _is_live(self, principal: Principal) -> bool:
        return principal.expires_at is None or principal.expires_at > self._now()

    async def principal(self, authorization: str, scopes: Collection[str] = PRESCRIBE) -> Principal:
        """Return who sent the Authorization header, for a request that needs `scopes`.

        Raises Unauthenticated, StorageUnavailable.
        """
        token = authorization[len(SCHEME) :].strip()
        malformed = authorization[: len(SCHEME)].lower() != SCHEME or not token.isascii()
        if malformed or not token or len(token) > (LONGEST_TOKEN if self._is_judged(token) else LONGEST_KEY):
            raise Unauthenticated(_UNAUTHENTICATED)
        ask = self._known_or_asked if PRESCRIBE.issuperset(scopes) else self._asked
        # Keys that a revoked one makes would outlive it: for those the database is asked each time.
        found = None if ADMIN in scopes else self.remembered(token, scopes)
        found = found or await ask(token)
        if found is None:
            raise Unauthenticated(_UNAUTHENTICATED)
        return found

    def _is_judged(self, token: str) -> bool:
        return self._judge is not None and token.count(".") == DOTS_OF_TOKEN

    async def _found(self, token: str) -> Principal | None:
        if self._judge is not None and self._is_judged(token):
            return await self._judge(token)
        async with reading(self._store) as session:
            return await find_principal(session, token, now=self._now())

    async def _known_or_asked(self, token: str) -> Principal | None:
        """Whose key it is; when the database does not answer soon, what it said last."""
        digest = _digest(token)
        seen = self._known.get(digest)
        if seen is None or seen.checked_at + TRUSTED_SECONDS < self._monotonic():
            return await self._asked(token)
        # Asked once, by however many requests, and not given up: cancelling waits for the database, too.
        if digest not in self._asking:
            task = self._asking[digest] = asyncio.create_task(self._asked(token))
            task.add_done_callback(lambda task: self._answered(digest, task))
        task = self._asking[digest]
        await asyncio.wait({task}, timeout=PATIENCE_SECONDS)
        if task.done() and not isinstance(task.exception(), StorageUnavailable):
            return task.result()
        if not self._is_live(seen.principal):
            return None
        if self._known.get(digest) is seen:  # and nobody has heard since that it was revoked
            prescribes_until = min(self._monotonic() + REMEMBERED_SECONDS, seen.checked_at + TRUSTED_SECONDS)
            self._known[digest] = seen._replace(prescribes_until=prescribes_until)
        return self.remembered(token) or await self._asked(token)

    def _answered(self, digest: bytes, task: "asyncio.Task[Principal | None]") -> None:
        del self._asking[digest]
        if not task.cancelled():
            task.exception()  # told to those who waited; nobody has to

    async def _asked(self, token: str) -> Principal | None:
        # From the question on, not from the answer: a slow one tells what was true when it was asked.
        digest, asked = _digest(token), self._monotonic()
        principal = await self._found(token)
        if principal is None:
            self._known.pop(digest, None)
            return None
        if len(self._known) >= MOST_REMEMBERED:
            self._known.clear()
        until = asked + REMEMBERED_SECONDS
        self._known[digest] = _Seen(principal, until, until, asked)
        if principal.kind == "key" and use_is_due(principal, now=self._now()):
            task = asyncio.create_task(self._note_use(principal))
            self._noting.add(task)
            task.add_done_callback(self._noting.discard)
        return principal

    async def _note_use(self, principal: Principal) -> None:
        try:
            async with writing_within(self._store, principal.reach) as session:
                await note_use(session, key_id=principal.key_id, now=self._now())
        except StorageUnavailable:
            _log.warning("could not note the use of a key; the request is not affected")

    async def close(self) -> None:
        """Wait for uses still being noted; nobody waits for answers any more."""
        for task in self._asking.values():
            task.cancel()
        if self._noting:
            await asyncio.wait(set(self._noting))


def open_keyring(settings: Settings, store: Store) -> KeyRing:
    """Return the key ring of `settings`. Raises SettingsInvalid."""
    if not settings.jwt_jwks:
        return KeyRing(store)
    try:
        from service.api.tokens import open_tokens  # noqa: PLC0415 - the packages are an extra
    except ModuleNotFoundError as error:
        told = "EFFORT_JWT_JWKS needs the packages PyJWT and httpx: install effort-prescription[jwt]"
        raise SettingsInvalid(told) from error
    return KeyRing(store, open_tokens(settings, store).principal)


async def authorise(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Let in keys with all scopes the handler names in `scopes`; a handler without any is open.

    A handler with `whole_tenant` lets in no key that is bound to sites. The principal waits in the connection's scope.
    Raises Unauthenticated, Forbidden, BoundToSites, TooManyRequests, StorageUnavailable.
    """
    scopes: tuple[str, ...] = handler.opt.get("scopes", ())
    if not scopes:
        return
    ring: KeyRing = connection.app.state.keyring
    principal = await ring.principal(connection.headers.get("authorization", ""), scopes)
    for scope in scopes:
        if scope not in principal.scopes:
            raise Forbidden(scope)
    if principal.sites is not None and handler.opt.get("whole_tenant"):
        raise BoundToSites("this API key is bound to sites; use one of the whole tenant")
    connection.scope["effort_principal"] = principal  # type: ignore[typeddict-unknown-key]  # ours
    turn_away(connection, principal)


def principal_of(request: Request[Any, Any, Any]) -> Principal:
    """Return who sent a request to a handler with `scopes`."""
    principal: Principal = request.scope["effort_principal"]  # type: ignore[typeddict-item]  # ours
    return principal


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
