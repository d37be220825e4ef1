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
IF_NONE_MATCH = {
    "if-none-match": QueryRule(
        lambda _: None,  # what names no state is no obstacle
        {"type": "string"},
        "`*` makes what is not there yet and changes nothing; ETags let every other state be changed. Else 412.",
    )
}
ETAG_HEADER = {"ETag": {"description": "Names this state, for If-Match.", "schema": {"type": "string"}}}


def etag_of(value: Struct) -> str:
    """Return a strong entity tag of what is stored, the same in every format."""
    return f'"{hashlib.sha256(msgspec.json.encode(value)).hexdigest()[:32]}"'


def _sent_tags(request: Request[Any, Any, Any], name: str) -> set[str] | None:
    """Return the tags of every line of a header, None when there is none."""
    lines = request.headers.getall(name, [])
    return {tag.strip() for tag in ",".join(lines).split(",")} if lines else None


def require_match(request: Request[Any, Any, Any], present: Struct | None) -> None:
    """Raise PreconditionFailed when If-Match names another state than the present one; weak tags never match.

    Nothing matches where nothing is.
    """
    tags = _sent_tags(request, "if-match")
    if tags is None:
        return
    if present is None:
        raise PreconditionFailed(
            "it is not there (any more), so no state of it matches; leave out If-Match to make it"
        )
    if not tags & {"*", etag_of(present)}:
        raise PreconditionFailed(
            "it was changed since it was read; read it again and send its ETag in If-Match"
        )


def require_none_match(request: Request[Any, Any, Any], present: Struct | None) -> None:
    """Raise PreconditionFailed when If-None-Match names the present state, as a weak tag too; `*` names any."""
    tags = _sent_tags(request, "if-none-match")
    if tags is None or present is None:
        return
    if {tag.removeprefix("W/") for tag in tags} & {"*", etag_of(present)}:
        raise PreconditionFailed("it is there already; read it, and send its ETag in If-Match to change it")
