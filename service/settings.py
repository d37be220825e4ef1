"""Settings from the environment, read and checked once at start."""

import re
from collections.abc import Callable, Mapping
from ipaddress import ip_address
from typing import Literal
from urllib.parse import urlsplit

from msgspec import Struct

from service.errors import SettingsInvalid

# name, default, what it is for: drives the reading, `effort serve --help` and DEVELOPERS.md alike
SETTINGS = (
    ("EFFORT_DATABASE_URL", "sqlite:///effort.db", "Database: sqlite:///file or postgresql://user@host/db"),
    ("EFFORT_HOST", "127.0.0.1", "IP address to listen on"),
    ("EFFORT_PORT", "8080", "Port to listen on, 1-65535"),
    ("EFFORT_WORKERS", "1", "Worker processes, 1-256; one per core on PostgreSQL, 1 on SQLite"),
    ("EFFORT_MAX_BODY_BYTES", "2097152", "Largest request body [bytes], 1024-104857600"),
    ("EFFORT_RATE_LIMIT_PER_MINUTE", "60000", "Quota of a key [items a minute], 0-10000000; 0 = off"),
    ("EFFORT_TENANT_RATE_LIMIT_PER_MINUTE", "0", "Quota of a tenant [items a minute], 0-10000000; 0 = off"),
    ("EFFORT_REDIS_URL", "", "Redis where quotas are shared: redis://host:port/number; empty = none"),
    ("EFFORT_MAX_IN_FLIGHT", "256", "Requests a worker works on at once, 1-65536; more are answered 503"),
    ("EFFORT_REQUEST_SECONDS", "30", "Longest time to begin an answer [s], 1-600"),
    (
        "EFFORT_JWT_JWKS",
        "",
        "Public keys of the tokens' issuer: a file or an https address; empty = API keys only",
    ),
    ("EFFORT_JWT_ISSUER", "", "Issuer that tokens must name (`iss`)"),
    ("EFFORT_JWT_AUDIENCE", "", "Audience that tokens must name (`aud`)"),
    ("EFFORT_JWT_ALGORITHMS", "RS256,ES256,EdDSA", "Signatures that are taken; never `none`, never HS*"),
    ("EFFORT_JWT_TENANT_CLAIM", "tenant", "Claim that names the tenant of a token"),
    ("EFFORT_DRAIN_SECONDS", "0", "After SIGTERM, time to serve on while not ready [s], 0-300"),
    ("EFFORT_LOG_LEVEL", "info", "Least level that is logged: debug, info, warning, error"),
    ("EFFORT_LOG_REQUESTS", "errors", "Requests that get a line: all, errors (400 and above), off"),
    ("EFFORT_METRICS", "on", "Whether GET /metrics answers: on, off"),
    ("EFFORT_OTLP_ENDPOINT", "", "Collector of traces: http://host:4318; empty = none"),
    ("EFFORT_RETENTION_DAYS", "0", "Days after which `effort retain` deletes a set, 0-36500; 0 = never"),
    (
        "EFFORT_PAGE_KEY",
        "",
        "API key the page gives to everybody who opens it: no `history:write`, no `admin`",
    ),
    ("EFFORT_PAGE_LIFTERS", "", "Lifters the page offers with that key: `id: what to look at`, `;` between"),
)
# No settings: how `effort serve` tells its workers of the folder their metrics have in common, and of its process id.
FOLDER, SERVER = "EFFORT_WORKERS_FOLDER", "EFFORT_WORKERS_SERVER"
_LIFTER_ID = re.compile("[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")  # a colon ends it here
# Asymmetric ones only: with a published key, a symmetric signature could be made by everybody.
JWT_ALGORITHMS = (
    "RS256",
    "RS384",
    "RS512",
    "PS256",
    "PS384",
    "PS512",
    "ES256",
    "ES384",
    "ES512",
    "EdDSA",
)


class PageLifter(Struct, frozen=True, kw_only=True):
    """A lifter whom the page offers to show, and what to look at."""

    lifter_id: str
    story: str


class Settings(Struct, frozen=True, kw_only=True):
    """Every setting, in the units its description names."""

    database_url: str
    host: str
    port: int
    workers: int
    max_body_bytes: int
    rate_limit_per_minute: int
    tenant_rate_limit_per_minute: int
    redis_url: str
    max_in_flight: int
    request_seconds: int
    jwt_jwks: str
    jwt_issuer: str
    jwt_audience: str
    jwt_algorithms: tuple[str, ...]
    jwt_tenant_claim: str
    drain_seconds: int
    log_level: Literal["debug", "info", "warning", "error"]
    log_requests: Literal["all", "errors", "off"]
    metrics: Literal["on", "off"]
    otlp_endpoint: str
    retention_days: int
    page_key: str
    page_lifters: tuple[PageLifter, ...]


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        digits = text.isascii() and text.isdigit() and len(text) <= len(str(high))
        if not digits or not low <= int(text) <= high:
            raise ValueError(f"takes a whole number from {low} to {high}")
        return int(text)

    return read


def _text(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty")
    return text.strip()


def _host(text: str) -> str:
    try:
        ip_address(text.strip())
    except ValueError:
        raise ValueError("takes an IP address, such as 127.0.0.1 or ::1; no name") from None
    return text.strip()


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.strip().lower() not in words:
            raise ValueError(f"takes {', '.join(words[:-1])} or {words[-1]}")
        return text.strip().lower()

    return read


def _leads_to_host(address: str, *schemes: str) -> bool:
    try:
        found = urlsplit(address)
        return found.scheme in schemes and bool(found.hostname) and found.port != 0
    except ValueError:  # a port that is no number, a bracket that is not closed
        return False


def _http_url(text: str) -> str:
    if text.strip() and not _leads_to_host(text.strip(), "http", "https"):
        raise ValueError("takes http://host:port or https://host, or nothing")
    return text.strip()


def _redis_url(text: str) -> str:
    # The library takes the first database for a number it cannot read, and this machine for a host left out.
    address = text.strip()
    numbered = _leads_to_host(address, "redis", "rediss") and re.fullmatch(
        r"/?[0-9]*", urlsplit(address).path
    )
    if address and not numbered and not address.startswith("unix:///"):
        raise ValueError("takes redis://host:port/number, rediss://... or unix:///..., or nothing")
    return address


def _jwks(text: str) -> str:
    place = text.strip()
    if "://" in place and not _leads_to_host(place, "https"):
        raise ValueError("takes a file or an address that begins with https://, or nothing")
    return place


def _algorithms(text: str) -> tuple[str, ...]:
    named = tuple(name.strip() for name in text.split(","))
    if not set(named) <= set(JWT_ALGORITHMS):
        raise ValueError(f"takes one or more of {', '.join(JWT_ALGORITHMS)}, with commas between")
    return named


def _page_lifters(text: str) -> tuple[PageLifter, ...]:
    told = [entry.partition(":") for entry in text.split(";") if entry.strip()]
    if not all(_LIFTER_ID.fullmatch(name.strip()) for name, _, _ in told):
        raise ValueError("takes `id: what to look at`, with `;` between lifters")
    return tuple(PageLifter(lifter_id=name.strip(), story=story.strip()) for name, _, story in told)


_READERS: dict[str, Callable[[str], object]] = {
    "EFFORT_DATABASE_URL": _text,
    "EFFORT_HOST": _host,
    "EFFORT_PORT": _whole(1, 65_535),
    "EFFORT_WORKERS": _whole(1, 256),
    "EFFORT_MAX_BODY_BYTES": _whole(1024, 104_857_600),
    "EFFORT_RATE_LIMIT_PER_MINUTE": _whole(0, 10_000_000),
    "EFFORT_TENANT_RATE_LIMIT_PER_MINUTE": _whole(0, 10_000_000),
    "EFFORT_REDIS_URL": _redis_url,
    "EFFORT_MAX_IN_FLIGHT": _whole(1, 65_536),
    "EFFORT_REQUEST_SECONDS": _whole(1, 600),
    "EFFORT_JWT_JWKS": _jwks,
    "EFFORT_JWT_ISSUER": str.strip,
    "EFFORT_JWT_AUDIENCE": str.strip,
    "EFFORT_JWT_ALGORITHMS": _algorithms,
    "EFFORT_JWT_TENANT_CLAIM": _text,
    "EFFORT_DRAIN_SECONDS": _whole(0, 300),
    "EFFORT_LOG_LEVEL": _one_of("debug", "info", "warning", "error"),
    "EFFORT_LOG_REQUESTS": _one_of("all", "errors", "off"),
    "EFFORT_METRICS": _one_of("on", "off"),
    "EFFORT_OTLP_ENDPOINT": _http_url,
    "EFFORT_RETENTION_DAYS": _whole(0, 36_500),
    "EFFORT_PAGE_KEY": str.strip,
    "EFFORT_PAGE_LIFTERS": _page_lifters,
}


def read_settings(environ: Mapping[str, str]) -> Settings:
    """Return the settings in `environ`, defaults for what is absent. Raises SettingsInvalid naming all bad ones."""
    read: dict[str, object] = {}
    wrong = []
    for name, default, _ in SETTINGS:
        try:
            read[name.removeprefix("EFFORT_").lower()] = _READERS[name](environ.get(name, default))
        except ValueError as error:
            wrong.append(f"{name} {error}")
    if read.get("jwt_jwks"):
        needed = ("jwt_issuer", "jwt_audience")
        wrong += [
            f"EFFORT_{name.upper()} must be set with EFFORT_JWT_JWKS" for name in needed if not read[name]
        ]
    if wrong:
        raise SettingsInvalid("; ".join(wrong))
    return Settings(**read)  # type: ignore[arg-type]  # each reader returns what its member takes
