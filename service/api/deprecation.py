"""How an operation is taken out of service: told long before, refused after its day, never silently.

A route declares it (`deprecation=Deprecation(...)`). From that follow the headers of every answer to it that got past
the key (`Deprecation`, RFC 9745; `Sunset`, RFC 8594; `Link`), what the document says, and 410 from the sunset on.
"""

from datetime import UTC, datetime
from email.utils import format_datetime
from typing import Any

from litestar import Request
from msgspec import Struct

from service.api.clock import now
from service.errors import Gone

GONE = 410


class Deprecation(Struct, frozen=True, kw_only=True):
    """Since when an operation is deprecated, until when it is served, and what to use instead.

    `since` and `sunset` are instants with an offset, `sunset` the later one; None: not ended yet. `instead` is a
    sentence; `explained_at` the address of a page for people; `successor` that of the operation to use.
    """

    since: datetime
    instead: str
    explained_at: str
    successor: str | None = None
    sunset: datetime | None = None

    def __post_init__(self) -> None:
        """Raise ValueError for an instant without an offset, or a sunset that comes before the deprecation."""
        told = [at for at in (self.since, self.sunset) if at is not None]
        if any(at.tzinfo is None for at in told) or told != sorted(told):
            raise ValueError("since and sunset are instants with an offset, in this order")

    @property
    def headers(self) -> tuple[tuple[bytes, bytes], ...]:
        """Headers of every answer."""
        links = [f'<{self.explained_at}>; rel="deprecation"; type="text/html"']
        found = [("deprecation", f"@{int(self.since.timestamp())}")]  # a Date of RFC 9651
        if self.sunset is not None:
            found.append(("sunset", format_datetime(self.sunset.astimezone(UTC), usegmt=True)))
            links.append(f'<{self.explained_at}>; rel="sunset"; type="text/html"')
        if self.successor is not None:
            links.append(f'<{self.successor}>; rel="successor-version"')
        found.append(("link", ", ".join(links)))
        return tuple((name.encode(), value.encode()) for name, value in found)

    @property
    def told(self) -> str:
        """What the document says."""
        until = "" if self.sunset is None else f", answered with 410 from {self.sunset:%Y-%m-%d} on"
        return f"Deprecated since {self.since:%Y-%m-%d}{until}. {self.instead}"


def heed_deprecation(request: Request[Any, Any, Any]) -> None:
    """Put what a deprecated operation says of itself into the scope. Raises Gone from its sunset on."""
    found: Deprecation | None = request.route_handler.opt.get("deprecation")
    if found is None:
        return
    request.scope["effort_deprecation"] = found.headers  # type: ignore[typeddict-unknown-key]  # ours
    if found.sunset is not None and now() >= found.sunset:
        raise Gone(f"this operation ended on {found.sunset:%Y-%m-%d}. {found.instead}")


def documented(found: Deprecation | None) -> dict[str, Any]:
    """Return the members an operation of the document has besides, none unless it is deprecated."""
    return {} if found is None else {"deprecated": True}


def documented_headers(found: Deprecation | None) -> dict[str, Any]:
    """Return what the document says of the headers, none unless the operation is deprecated."""
    if found is None:
        return {}
    texts = {
        "Deprecation": f"Since when it is deprecated (RFC 9745): `{found.headers[0][1].decode()}`.",
        "Link": '`rel="deprecation"`: a page about it; `rel="successor-version"`: what to use instead.',
    }
    if found.sunset is not None:
        texts["Sunset"] = "When it ends (RFC 8594)."
    return {name: {"description": text, "schema": {"type": "string"}} for name, text in sorted(texts.items())}
