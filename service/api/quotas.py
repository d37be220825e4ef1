"""How much a key and its tenant may ask for: token buckets, costed by items.

A bucket holds one minute's quota and fills continuously. A request waits until its cost is there; one that costs more
than a whole bucket is let in by a full one, which then goes into debt: so every request can succeed, and the mean never
exceeds the quota. All buckets of a request pay, or none; what is refused costs nothing.
"""

from collections.abc import Callable, Sequence
from math import ceil
from time import monotonic
from typing import Any, NamedTuple, Protocol
from uuid import UUID

from litestar.connection import ASGIConnection

from service.errors import SettingsInvalid, TooManyRequests
from service.settings import Settings
from service.storage.keys import Principal

WINDOW_SECONDS = 60
ROUNDING = 1e-6  # items that adding up may lose
_BUCKETS_AT_FIRST = 4096

Headers = tuple[tuple[bytes, bytes], ...]


class Taken(NamedTuple):
    """The answer to a cost: `retry_after_seconds` is 0 when it was paid, `headers` tell what is left."""

    retry_after_seconds: int
    headers: Headers


class Quotas(Protocol):
    """Buckets of one process, or shared by all."""

    def left(self, principal: Principal, cost: int) -> Taken:
        """Return what `take` would answer, as far as this process knows; takes nothing."""

    async def take(self, principal: Principal, cost: int) -> Taken:
        """Take `cost` items from every bucket of `principal`, or from none."""

    async def close(self) -> None:
        """Let go of connections."""


class Bucket:
    """What one owner has left: `level` [items] at the instant `at` [s]. Below 0 it is in debt."""

    __slots__ = ("at", "level")

    def __init__(self, level: float, at: float) -> None:
        self.level = level
        self.at = at


class Quota:
    """`per_minute` items for each key ("key") or for all keys of each tenant ("tenant"), and their buckets."""

    def __init__(self, name: str, per_minute: int) -> None:
        self.name = name
        self.per_minute = per_minute
        self.told = b'"%s";r=%%d;t=%%d' % name.encode()
        self._buckets: dict[str | UUID, Bucket] = {}
        self._most = _BUCKETS_AT_FIRST

    def owner(self, principal: Principal) -> str | UUID:
        """Return whose bucket a request empties. Subjects of tokens are the same only within their tenant."""
        if self.name != "key":
            return principal.tenant_id
        return principal.key_id if principal.kind == "key" else f"{principal.tenant_id}:{principal.key_id}"

    def bucket(self, principal: Principal, now: float) -> Bucket:
        """Return the bucket of `principal`, filled up to `now`."""
        owner = self.owner(principal)
        found = self._buckets.get(owner)
        if found is None:
            return self._open(owner, now)
        level = found.level + (now - found.at) * self.per_minute / WINDOW_SECONDS
        found.level, found.at = min(level, self.per_minute), now
        return found

    def forget(self) -> None:
        """Fill every bucket."""
        self._buckets.clear()

    def _open(self, owner: str | UUID, now: float) -> Bucket:
        if len(self._buckets) >= self._most:
            # A full bucket says no more than none: every owner begins with one.
            full = now - WINDOW_SECONDS
            kept = {whose: held for whose, held in self._buckets.items() if held.at > full or held.level < 0}
            self._buckets, self._most = kept, max(_BUCKETS_AT_FIRST, 2 * len(kept))
        made = self._buckets[owner] = Bucket(float(self.per_minute), now)
        return made


def quotas_of(settings: Settings) -> tuple[Quota, ...]:
    """Return the quotas that are on; a setting of 0 switches one off."""
    limits = {"key": settings.rate_limit_per_minute, "tenant": settings.tenant_rate_limit_per_minute}
    return tuple(Quota(name, per_minute) for name, per_minute in limits.items() if per_minute)


def policy_header(quotas: Sequence[Quota]) -> Headers:
    """Return RateLimit-Policy, which never changes (IETF draft-ietf-httpapi-ratelimit-headers-11)."""
    told = ", ".join(f'"{quota.name}";q={quota.per_minute};w={WINDOW_SECONDS}' for quota in quotas)
    return ((b"ratelimit-policy", told.encode()),) if quotas else ()


def answer_of(policy: Headers, held: Sequence[tuple[Quota, Bucket]], wait_seconds: float) -> Taken:
    """Return the answer of these buckets when the cost waits so long [s], 0 when it was paid.

    RateLimit (same draft): who sends no more than `r` items in the next `t` seconds is not refused for them, and who
    keeps to it uses the whole quota.
    """
    retry, told = ceil(wait_seconds), []
    for quota, bucket in held:
        items = int(bucket.level + ROUNDING) if bucket.level > 0 else 0
        seconds = ceil(((items or 1 - bucket.level) - ROUNDING) * WINDOW_SECONDS / quota.per_minute)
        if 0 < retry < seconds:
            seconds = retry  # the draft: Retry-After does not come before it
        told.append(quota.told % (items, seconds))
    return Taken(retry, (*policy, (b"ratelimit", b", ".join(told))) if told else ())


class LocalQuotas:
    """Buckets of this process."""

    def __init__(self, quotas: tuple[Quota, ...], *, monotonic: Callable[[], float] = monotonic) -> None:
        self.quotas = quotas
        self.policy = policy_header(quotas)
        self.monotonic = monotonic

    def left(self, principal: Principal, cost: int) -> Taken:
        """Return what `take` would answer; takes nothing."""
        return self._answer(principal, cost, paid=False)

    async def take(self, principal: Principal, cost: int) -> Taken:
        """Take `cost` items from every bucket of `principal`, or from none."""
        return self._answer(principal, cost, paid=True)

    def _answer(self, principal: Principal, cost: int, *, paid: bool) -> Taken:
        now, wait, found = self.monotonic(), 0.0, []
        for quota in self.quotas:
            bucket = quota.bucket(principal, now)
            short = min(cost, quota.per_minute) - bucket.level
            if short > ROUNDING:
                wait = max(wait, (short - ROUNDING) * WINDOW_SECONDS / quota.per_minute)
            found.append((quota, bucket))
        if paid and not wait:
            for _, bucket in found:
                bucket.level -= cost
        return answer_of(self.policy, found, wait)

    async def close(self) -> None:
        """Nothing to let go of."""


def open_quotas(settings: Settings, monotonic: Callable[[], float]) -> Quotas:
    """Return the quotas of `settings`, shared when they name a Redis; connects later. Raises SettingsInvalid."""
    local = LocalQuotas(quotas_of(settings), monotonic=monotonic)
    if not settings.redis_url:
        return local
    try:
        from service.api.shared_quotas import SharedQuotas  # noqa: PLC0415 - the package is an extra
    except ModuleNotFoundError as error:
        told = "EFFORT_REDIS_URL needs the package redis: install effort-prescription[redis]"
        raise SettingsInvalid(told) from error
    return SharedQuotas(settings.redis_url, local)


def turn_away(connection: ASGIConnection[Any, Any, Any, Any], principal: Principal) -> None:
    """Raise TooManyRequests when `principal` cannot pay for anything: then not even the body is read."""
    quotas: Quotas = connection.app.state.quotas
    _settle(connection, quotas.left(principal, 1))


async def charge(connection: ASGIConnection[Any, Any, Any, Any], cost: int) -> None:
    """Take the cost [items] of a request whose key was let in; without a key it is free. Raises TooManyRequests."""
    principal: Principal | None = connection.scope.get("effort_principal")  # type: ignore[assignment]  # ours
    if principal is not None:
        quotas: Quotas = connection.app.state.quotas
        _settle(connection, await quotas.take(principal, cost))


def _settle(connection: ASGIConnection[Any, Any, Any, Any], taken: Taken) -> None:
    connection.scope["effort_quota"] = taken.headers  # type: ignore[typeddict-unknown-key]  # ours
    if taken.retry_after_seconds:
        raise TooManyRequests(taken.retry_after_seconds)
