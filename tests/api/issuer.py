"""An invented issuer of tokens: key pairs made on the spot, their JWKS, and tokens signed with them."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from jwt.algorithms import get_default_algorithms

from service.api.clock import now

ISSUER, AUDIENCE = "https://issuer.example/realms/gyms", "effort"
Pair = tuple[str, Any]


@cache
def pair(algorithm: str, number: int = 0, bits: int = 2048) -> Pair:
    """An algorithm and a private key for it; another key for another number."""
    del number
    if algorithm[:2] in ("RS", "PS"):
        return algorithm, rsa.generate_private_key(public_exponent=65_537, key_size=bits)
    if algorithm == "EdDSA":
        return algorithm, ed25519.Ed25519PrivateKey.generate()
    curves = {"ES256": ec.SECP256R1(), "ES384": ec.SECP384R1(), "ES512": ec.SECP521R1()}
    return algorithm, ec.generate_private_key(curves[algorithm])


def jwk(kid: str, made: Pair, *, private: bool = False, **members: Any) -> dict[str, Any]:
    """The key as an entry of a JWKS: the public half, unless `private`."""
    algorithm, key = made
    told = get_default_algorithms()[algorithm].to_jwk(key if private else key.public_key(), as_dict=True)
    return {**told, "kid": kid, "alg": algorithm, "use": "sig"} | members


def jwks(*entries: Any) -> bytes:
    """The text of a JWKS."""
    return json.dumps({"keys": entries}).encode()


def claims(**changes: Any) -> dict[str, Any]:
    """Claims that are taken, with these changed; a claim given as None is left out."""
    told = {
        "iss": ISSUER,
        "aud": AUDIENCE,
        "sub": "coach-17",
        "exp": int(now().timestamp()) + 300,
        "tenant": "harbour-street-gym",
        "scope": "prescribe history:read history:write",
    }
    return {name: value for name, value in (told | changes).items() if value is not None}


def token(kid: str | None, made: Pair, told: dict[str, Any] | None = None, **headers: Any) -> str:
    """A signed token."""
    algorithm, key = made
    named = headers if kid is None else {"kid": kid, **headers}
    return jwt.encode(claims() if told is None else told, key, algorithm=algorithm, headers=named)


def settings(place: Path | str, **more: str) -> dict[str, str]:
    """The settings that trust this issuer."""
    return {
        "EFFORT_JWT_JWKS": str(place),
        "EFFORT_JWT_ISSUER": ISSUER,
        "EFFORT_JWT_AUDIENCE": AUDIENCE,
    } | more
