"""Bearer tokens of an issuer the operator trusts (JWT, RFC 7519, checked as RFC 8725 asks).

Signature and algorithm, issuer, audience and times are checked by PyJWT; which keys count says `jwks`. A token names
its tenant, which has to exist, its scopes, and maybe sites, which have to exist too. Whatever is wrong, the answer is
the same.
"""

import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jwt
from msgspec import Struct

from service.api.jwks import KeySet, reader_of, usable_keys
from service.errors import SettingsInvalid
from service.settings import Settings
from service.storage.engine import Store, reading
from service.storage.keys import SCOPES, Principal, find_tenant
from service.storage.sites import known_sites
from service.storage.tenancy import Reach, enter

LEEWAY_SECONDS = 30
LONGEST_TOKEN = 8192
MOST_SITES = 100
SUBJECT_DIGITS = 24
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LATEST_SECONDS = 4_102_444_800  # the year 2100


class Claims(Struct, frozen=True, kw_only=True):
    """What a token says that was found genuine. `sites` is None for the whole tenant."""

    subject: str
    tenant: str
    scopes: frozenset[str]
    sites: frozenset[str] | None
    expires_at: datetime


class Tokens:
    """Judges tokens with `keys`, by the settings `EFFORT_JWT_*`."""

    def __init__(self, store: Store, keys: KeySet, settings: Settings) -> None:
        self._store = store
        self._keys = keys
        self._settings = settings

    async def principal(self, token: str) -> Principal | None:
        """Return who sent a token; None alike for whatever is wrong with it. Raises StorageUnavailable."""
        told = await self._genuine(token)
        claims = None if told is None else read_claims(told, self._settings.jwt_tenant_claim)
        if claims is None:
            return None
        reach = await _reach(self._store, claims)
        if reach is None:
            return None
        return Principal(
            tenant_id=reach.tenant_id,
            key_id=hashlib.sha256(claims.subject.encode()).hexdigest()[:SUBJECT_DIGITS],
            kind="token",
            scopes=claims.scopes,
            sites=reach.sites,
            expires_at=claims.expires_at,
        )

    async def _genuine(self, token: str) -> dict[str, Any] | None:
        settings = self._settings
        try:
            header = jwt.get_unverified_header(token)
            # Before the key is looked for: what no key could save must not make us read the keys again.
            if header.get("alg") not in settings.jwt_algorithms or "kid" not in header:
                return None
            key = await self._keys.find(header["kid"])
            if key is None:
                return None
            return jwt.decode(
                token,
                key,
                algorithms=settings.jwt_algorithms,
                issuer=settings.jwt_issuer,
                audience=settings.jwt_audience,
                leeway=LEEWAY_SECONDS,
                options={"require": ["exp", "iss", "aud", "sub"], "enforce_minimum_key_length": True},
            )
        except (jwt.PyJWTError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None


def read_claims(told: dict[str, Any], tenant_claim: str) -> Claims | None:
    """Return what a genuine token says; None when a claim is missing or of another kind. Unknown scopes are ignored."""
    tenant, scope, subject = told.get(tenant_claim), told.get("scope", ""), told["sub"]
    sites = told.get("sites", ())
    if not isinstance(tenant, str) or not subject or not all(map(_is_text, (tenant, scope, subject))):
        return None
    if "sites" in told:
        named = isinstance(sites, list) and all(map(_is_text, sites))
        if not named or not 0 < len(sites) <= MOST_SITES:
            return None
    seconds = min(int(told["exp"]), _LATEST_SECONDS) + LEEWAY_SECONDS
    return Claims(
        subject=subject,
        tenant=tenant,
        scopes=frozenset(scope.split()) & frozenset(SCOPES),
        sites=frozenset(sites) if "sites" in told else None,
        expires_at=_EPOCH + timedelta(seconds=seconds),
    )


def _is_text(value: object) -> bool:
    # JSON can say what no database can store: NUL, and half a surrogate pair.
    return isinstance(value, str) and "\0" not in value and value.isprintable()


def open_tokens(settings: Settings, store: Store) -> Tokens:
    """Return the judge of tokens. A file is read now, an address at the first token. Raises SettingsInvalid."""
    place, keys = settings.jwt_jwks, None
    if "://" not in place:
        try:
            keys = usable_keys(Path(place).read_bytes(), settings.jwt_algorithms)
        except (OSError, ValueError) as error:
            raise SettingsInvalid(f"EFFORT_JWT_JWKS: {place} cannot be read: {error}") from error
        if not keys:
            told = "holds no public key with `kid` and an algorithm of EFFORT_JWT_ALGORITHMS"
            raise SettingsInvalid(f"EFFORT_JWT_JWKS: {place} {told}")
    return Tokens(store, KeySet(reader_of(place), settings.jwt_algorithms, keys=keys), settings)


async def _reach(store: Store, claims: Claims) -> Reach | None:
    async with reading(store) as r:
        try:
            tenant_id = await find_tenant(r, claims.tenant)
        except SettingsInvalid:  # no tenant can have that name
            return None
        if tenant_id is None:
            return None
        await enter(r, Reach(tenant_id))
        if claims.sites is not None and await known_sites(r, tenant_id, claims.sites) != claims.sites:
            return None
    return Reach(tenant_id, claims.sites)
