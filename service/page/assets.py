"""The files of the page, read once. What is not in here is not served: no path is ever made from a request."""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from html import escape
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

STATIC = Path(__file__).with_name("static")
FRAME = Path(__file__).with_name("frame.html")
HOME = Path(__file__).with_name("home.html")
HTML = "text/html; charset=utf-8"
MEDIA_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


class Asset(NamedTuple):
    """One file as it is sent."""

    media_type: str
    content: bytes


@lru_cache(maxsize=1)
def static_assets() -> Mapping[str, Asset]:
    """Return every file of the page by its name."""
    found = {
        path.name: Asset(MEDIA_TYPES[path.suffix], path.read_bytes())
        for path in sorted(STATIC.iterdir())
        if path.suffix in MEDIA_TYPES
    }
    return MappingProxyType(found)


def framed(title: str, main: str, *, script: str | None = None, styles: Iterable[str] = ()) -> Asset:
    """Return a whole page: `main` (HTML) in the frame that all pages of the service share.

    `title` is text; `script` names a module among the assets; `styles` are addresses of more stylesheets.
    """
    tag = "" if script is None else f'<script type="module" src="/page/{escape(script)}"></script>'
    sheets = "".join(f'<link rel="stylesheet" href="{escape(address)}">\n' for address in styles)
    frame = FRAME.read_text("utf-8")
    for mark, text in (("{title}", escape(title)), ("{script}", sheets + tag), ("{main}", main)):
        frame = frame.replace(mark, text)
    return Asset(HTML, frame.encode())


@lru_cache(maxsize=1)
def home() -> Asset:
    """Return the page at `/`."""
    return framed("Effort prescription", HOME.read_text("utf-8"), script="main.js")
