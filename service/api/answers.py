"""What goes back: JSON, or MessagePack or a picture when the caller asks for it."""

from collections.abc import Callable, Mapping
from typing import Any, TypeVar, cast

import msgspec
from litestar import Request, Response

from service.api.reading import JSON, MESSAGEPACK
from service.pictures import drawing

T = TypeVar("T")
OPEN_CACHE = "public, max-age=300"
NDJSON = "application/x-ndjson"
_MESSAGEPACK_NAMES = (MESSAGEPACK, "application/msgpack", "application/x-msgpack")


def _quality(part: str) -> tuple[str, float]:
    essence, *parameters = (piece.strip().lower() for piece in part.split(";"))
    for parameter in parameters:
        if parameter.startswith("q="):
            try:
                return essence, float(parameter[2:])
            except ValueError:
                return essence, 0.0
    return essence, 1.0


def wanted_media_type(accept: str, *, picture: bool = False) -> str:
    """Return what `accept` prefers to JSON and names: MESSAGEPACK, or drawing.MEDIA_TYPE where there is a `picture`.

    JSON otherwise: no 406, as RFC 9110 allows.
    """
    if "msgpack" not in accept and not (picture and "image/" in accept):
        return JSON
    qualities = dict(map(_quality, accept.split(",")))
    plain = max(qualities.get(name, 0.0) for name in (JSON, "application/*", "*/*"))
    wanted = {MESSAGEPACK: max(qualities.get(name, 0.0) for name in _MESSAGEPACK_NAMES)}
    if picture:
        wanted[drawing.MEDIA_TYPE] = qualities.get(drawing.MEDIA_TYPE, qualities.get("image/*", 0.0))
    best = max(wanted, key=lambda name: wanted[name])
    return best if wanted[best] > 0.0 and wanted[best] >= plain else JSON


def prefers_html(accept: str) -> bool:
    """Return whether `accept` names HTML, and nothing that the service has besides before it."""
    if "text/html" not in accept.lower():
        return False
    qualities = dict(map(_quality, accept.split(",")))
    html, plain = qualities.get("text/html", 0.0), qualities.get(JSON, 0.0)
    return html > plain and html >= max(qualities.get(name, 0.0) for name in ("application/*", "*/*"))


def wants_lines(accept: str) -> bool:
    """Whether `accept` names JSON lines and prefers them to one JSON or MessagePack value."""
    if NDJSON not in accept.lower():
        return False
    qualities = dict(map(_quality, accept.split(",")))
    lines = qualities.get(NDJSON, 0.0)
    return lines > 0.0 and lines >= max(qualities.get(name, 0.0) for name in (JSON, *_MESSAGEPACK_NAMES))


def answer(
    request: Request[Any, Any, Any],
    value: T,
    *,
    status: int = 200,
    cache: str = "no-store",
    headers: Mapping[str, str] | None = None,
    picture: Callable[[T], str] | None = None,
) -> Response[T]:
    """Return `value` in the format the caller wants, with these headers besides; `picture` draws it as SVG."""
    media_type = wanted_media_type(request.headers.get("accept", ""), picture=picture is not None)
    all_headers = {"cache-control": cache, "vary": "Accept", **(headers or {})}
    if picture is not None and media_type == drawing.MEDIA_TYPE:
        all_headers["content-security-policy"] = drawing.CONTENT_SECURITY_POLICY
        drawn = cast("T", picture(value).encode())
        return Response(content=drawn, status_code=status, media_type=media_type, headers=all_headers)
    encode = msgspec.json.encode if media_type == JSON else msgspec.msgpack.encode
    body = cast(
        "T", encode(value)
    )  # encoded here, so that every way gives the same bytes; T is what it documents
    return Response(content=body, status_code=status, media_type=media_type, headers=all_headers)
