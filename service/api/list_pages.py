"""Lists in pages: the links of RFC 8288 beside what the body says."""

from typing import Any
from urllib.parse import urlencode

from litestar import Request

PAGE_LINKS = {
    "Link": {
        "description": '`rel="first"`: the first page of what was asked for; `rel="next"`: the page after this one, '
        "absent on the last (RFC 8288).",
        "schema": {"type": "string"},
    }
}


def page_links(request: Request[Any, Any, Any], following: str | None) -> dict[str, str]:
    """Return the header that links the next page and the first one; `following` is a cursor, None on the last page."""
    path, asked = request.scope["path"], dict(request.query_params.items())
    first = {name: value for name, value in asked.items() if name != "cursor"}
    pages = ([] if following is None else [({**asked, "cursor": following}, "next")]) + [(first, "first")]
    links = (
        f'<{path}{"?" if query else ""}{urlencode(query)}>; rel="{relation}"' for query, relation in pages
    )
    return {"link": ", ".join(links)}
