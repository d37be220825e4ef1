"""Tokens that have to be refused, each wrong in one way."""

import base64
import hmac
import json
from typing import Any

import jwt
from cryptography.hazmat.primitives import serialization

from service.api.clock import now
from tests.api.issuer import AUDIENCE, ISSUER, claims, jwk, pair, token

TAKEN = pair("EdDSA")


def bare(header: dict[str, Any], told: object, signature: bytes = b"") -> str:
    """A token put together by hand."""
    parts = (
        json.dumps(header).encode(),
        told if isinstance(told, bytes) else json.dumps(told).encode(),
        signature,
    )
    return ".".join(base64.urlsafe_b64encode(part).rstrip(b"=").decode() for part in parts)


def forged() -> dict[str, str]:
    """Tokens that have to be refused, by what is wrong with them."""
    # The present instant, not that of the import: a whole run of tests lies between.
    moment = int(now().timestamp())
    rsa, other = pair("RS256"), pair("EdDSA", 1)
    public = (
        rsa[1]
        .public_key()
        .public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    )
    good = token("a", TAKEN)
    head, body, signature = good.split(".")
    hs256 = jwt.encode(claims(), b"x" * 32, algorithm="HS256", headers={"kid": "rsa"}).split(".")
    signing = ".".join(hs256[:2]).encode()
    by_public = base64.urlsafe_b64encode(hmac.digest(public, signing, "sha256")).rstrip(b"=").decode()
    wrong: dict[str, dict[str, Any]] = {
        "another issuer": {"iss": "https://elsewhere.example"},
        "issuer as prefix": {"iss": ISSUER + "/"},
        "another audience": {"aud": "somebody-else"},
        "audience in part": {"aud": AUDIENCE + "s"},
        "no audience": {"aud": None},
        "audience of numbers": {"aud": [1]},
        "no issuer": {"iss": None},
        "no expiry": {"exp": None},
        "no subject": {"sub": None},
        "empty subject": {"sub": ""},
        "subject a number": {"sub": 7},
        "expired": {"exp": moment - 31},
        "expired long ago": {"exp": 0},
        "expiry a text": {"exp": "soon"},
        "expiry a list": {"exp": [moment + 300]},
        "not yet": {"nbf": moment + 60},
        "issued in the future": {"iat": moment + 3600},
        "no tenant": {"tenant": None},
        "unknown tenant": {"tenant": "nobody"},
        "impossible tenant": {"tenant": "x" * 65},
        "tenant with a NUL": {"tenant": "harbour-street-gym\0"},
        "tenant a list": {"tenant": ["harbour-street-gym"]},
        "scope a list": {"scope": ["prescribe"]},
        "unknown site": {"sites": ["north", "nowhere"]},
        "no sites at all": {"sites": []},
        "sites a text": {"sites": "north"},
        "site a number": {"sites": [1]},
        "site with a NUL": {"sites": ["north\0"]},
        "half a pair as site": {"sites": ["\ud800"]},
        "half a pair as subject": {"sub": "\ud800"},
        "half a pair as tenant": {"tenant": "\ud800"},
        "too many sites": {"sites": ["north"] * 101},
    }
    tokens = {name: token("a", TAKEN, claims(**changes)) for name, changes in wrong.items()}
    infinite = token("a", TAKEN).split(".")[0]
    return tokens | {
        "sites null": jwt.encode(
            claims() | {"sites": None}, TAKEN[1], algorithm="EdDSA", headers={"kid": "a"}
        ),
        "alg none": bare({"alg": "none", "kid": "a"}, claims()),
        "alg None": bare({"alg": "None", "kid": "a"}, claims()),
        "alg missing": bare({"kid": "a"}, claims(), b"x"),
        "alg a list": bare({"alg": ["EdDSA"], "kid": "a"}, claims(), b"x"),
        "HS256 with the public key": f"{hs256[0]}.{hs256[1]}.{by_public}",
        "HS256": ".".join(hs256),
        "algorithm of another key": bare({"alg": "RS256", "kid": "a"}, claims(), b"x" * 256),
        "algorithm not allowed": token("rsa", ("RS512", rsa[1])),
        "key of another": token("a", other),
        "unknown kid": token("b", other),
        "no kid": token(None, TAKEN),
        "kid a number": bare({"alg": "EdDSA", "kid": 7}, claims(), b"x"),
        "kid of the other key": token("rsa", TAKEN),
        "key brought along": token("b", other, None, jwk=jwk("b", other)),
        "key elsewhere": token(
            "b", other, None, jku="https://elsewhere.example/jwks.json", x5u="https://x.example"
        ),
        "critical extension": token("a", TAKEN, None, crit=["exp"], exp=1),
        "no signature": f"{head}.{body}.",
        "cut signature": good[:-4],
        "altered": f"{head}.{bare({}, claims(sub='x')).split('.')[1]}.{signature}",
        "no JSON": bare({"alg": "EdDSA", "kid": "a"}, b"{", b"x" * 64),
        "endless number": f"{infinite}.{base64.urlsafe_b64encode(b'{' + b'9' * 400).decode().rstrip('=')}.{signature}",
        "nested": f"{base64.urlsafe_b64encode(b'[' * 3000).decode().rstrip('=')}.{body}.{signature}",
        "dots": "..",
        "too long": good + "A" * 8192,
        "unsigned infinity": bare({"alg": "EdDSA", "kid": "a"}, b'{"exp": 1e999}', b"x" * 64),
    }
