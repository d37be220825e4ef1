"""Conditional requests (RFC 9110, section 13): change only what was read."""

import hashlib
from typing import Any

import msgspec
from litestar import Request
from msgspec import Struct

from service.api.admission import QueryRule
from service.errors import PreconditionFailed

IF_MATCH = {
    "if-match": QueryRule(
        lambda _: None,  # what names no state names another one: 412
        {"type": "string"},
        "ETag of the state this request means to change, several, or `*`; another state in place is 412.",
    )
}
ETAG_HEADER = {"ETag": {"description": "Names this state, for If-Match.", "schema": {"type": "string"}}}


def etag_of(value: Struct) -> str:
    """Return a strong entity tag of what is stored, the same in every format."""
    return f'"{hashlib.sha256(msgspec.json.encode(value)).hexdigest()[:32]}"'


def require_match(request: Request[Any, Any, Any], present: Struct | None) -> None:
    """Raise PreconditionFailed when If-Match names another state than the present one; weak tags never match.

    Nothing matches where nothing is.
    """
    sent = request.headers.get("if-match")
    if sent is None:
        return
    tags = {tag.strip() for tag in sent.split(",")}
    if present is None or not tags & {"*", etag_of(present)}:
        raise PreconditionFailed(
            "it was changed since it was read; read it again and send its ETag in If-Match"
        )
