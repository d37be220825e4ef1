"""The keys that tokens are signed with (RFC 7517), from a file or from the operator's own address.

Read again when a token names a key that is not there, and when they grow old; never from an address in a token. Keys
that cannot be read again are kept.
"""

import asyncio
import logging
import math
import time
from collections.abc import Awaitable, Callable, Collection, Mapping
from pathlib import Path
from typing import Any

import httpx
import msgspec
from jwt import PyJWK, PyJWTError

READ_AT_MOST_EVERY_SECONDS = 60.0
OLD_AFTER_SECONDS = 300.0
FETCH_SECONDS = 3.0
MOST_BYTES = 262_144
MOST_KEYS = 100
_ASYMMETRIC = ("RSA", "EC", "OKP")
_log = logging.getLogger("service.api")

Read = Callable[[], Awaitable[bytes]]


class KeySet:
    """Public keys by their `kid`. `read` gives the text of the set; `monotonic` [s] is the clock of the limits."""

    def __init__(
        self,
        read: Read,
        algorithms: Collection[str],
        *,
        keys: Mapping[str, PyJWK] | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._read = read
        self._algorithms = frozenset(algorithms)
        self._monotonic = monotonic
        self._keys = keys or {}
        self._read_at = -math.inf if keys is None else monotonic()
        self._tried_at = -math.inf
        self._reading: asyncio.Task[None] | None = None

    async def find(self, kid: str) -> PyJWK | None:
        """Return the key of that id, or None. Waits up to 3 s, once a minute at most, where the set is read again."""
        if kid not in self._keys or self._monotonic() - self._read_at > OLD_AFTER_SECONDS:
            await self._read_again()
        return self._keys.get(kid)

    async def _read_again(self) -> None:
        # However many ask at once, one of them reads and all wait for it, also when the first one hangs up.
        if self._reading is None:
            if self._monotonic() - self._tried_at < READ_AT_MOST_EVERY_SECONDS:
                return
            self._tried_at = self._monotonic()
            self._reading = asyncio.create_task(self._replace())
        await asyncio.shield(self._reading)

    async def _replace(self) -> None:
        try:
            async with asyncio.timeout(FETCH_SECONDS):
                self._keys = usable_keys(await self._read(), self._algorithms)
            self._read_at = self._monotonic()
        except (OSError, TimeoutError, ValueError, httpx.HTTPError, httpx.InvalidURL) as error:
            _log.warning(
                "the JWKS could not be read (%s); the keys known before are kept", type(error).__name__
            )
        finally:
            self._reading = None


def usable_keys(text: bytes, algorithms: Collection[str]) -> dict[str, PyJWK]:
    """Return the public keys of a JWKS that have a `kid` and an algorithm of these. Raises ValueError for no JWKS.

    Others are left out: symmetric and private keys, keys for encryption, RSA below 2048 bits.
    """
    if len(text) > MOST_BYTES:
        raise ValueError(f"a JWKS has at most {MOST_BYTES} bytes")
    try:
        told = msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError) as error:
        raise ValueError("not JSON") from error
    entries = told.get("keys") if isinstance(told, dict) else None
    if not isinstance(entries, list):
        raise ValueError("no JWKS: `keys` is missing")  # noqa: TRY004 - what is wrong is the text
    found: dict[str, PyJWK] = {}
    for entry in entries[:MOST_KEYS]:
        key = _usable(entry)
        if key is not None and key.algorithm_name in algorithms:
            found.setdefault(str(key.key_id), key)
    return found


def _usable(entry: Any) -> PyJWK | None:
    named = isinstance(entry, dict) and isinstance(entry.get("kid"), str)
    if not named or entry.get("kty") not in _ASYMMETRIC or "d" in entry or entry.get("use", "sig") != "sig":
        return None
    try:
        key = PyJWK(entry)
        too_short = key.Algorithm.check_key_length(key.key)
    except (PyJWTError, ValueError, TypeError, KeyError, AttributeError):
        return None
    return None if too_short else key


def reader_of(place: str) -> Read:
    """Return what reads the set at `place`, an https address or a file."""
    if "://" in place:
        return lambda: fetched(place)
    return lambda: asyncio.to_thread(Path(place).read_bytes)


async def fetched(url: str) -> bytes:
    """Return what lies at `url`: no redirect is followed, and no more than 256 KiB are taken.

    Raises httpx.HTTPError, httpx.InvalidURL, ValueError, and TimeoutError after 3 s in all.
    """
    headers = {"accept": "application/json", "accept-encoding": "identity"}
    body = b""
    async with (
        asyncio.timeout(FETCH_SECONDS),
        httpx.AsyncClient(follow_redirects=False) as client,
        client.stream("GET", url, headers=headers) as response,
    ):
        response.raise_for_status()
        # As it comes: what unpacks to a thousand times its size is not unpacked.
        async for part in response.aiter_raw():
            body += part
            if len(body) > MOST_BYTES:
                raise ValueError(f"a JWKS has at most {MOST_BYTES} bytes")
    return body
