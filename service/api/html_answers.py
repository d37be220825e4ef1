"""How pages are sent: under a content security policy that lets nothing in but the service's own files."""

from collections.abc import Mapping
from typing import Any

from litestar import Request, Response

from service.api.answers import prefers_html
from service.page.assets import Asset

# A browser asks each time whether its copy is still right: files of two releases never mix.
CACHE = "public, no-cache"
CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
PAGE_HEADERS = {
    "content-security-policy": CONTENT_SECURITY_POLICY,
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": CACHE,
}
# Below these are programs, whatever they say they accept: an error there is always problem+json.
FOR_PROGRAMS = ("/v1/", "/.well-known/", "/health/", "/metrics", "/openapi.json", "/page/")


def sent(asset: Asset, *, status: int = 200, headers: Mapping[str, str] | None = None) -> Response[Any]:
    """Return a page, or a file of one, as an answer, with these headers besides."""
    return Response(
        content=asset.content,
        media_type=asset.media_type.partition(";")[0],  # Litestar adds the charset to text
        status_code=status,
        headers=PAGE_HEADERS | dict(headers or {}),
    )


def wants_page(request: Request[Any, Any, Any]) -> bool:
    """Return whether HTML is asked for before anything else."""
    return prefers_html(request.headers.get("accept", ""))


def wants_fault_page(request: Request[Any, Any, Any]) -> bool:
    """Return whether an error should be shown as a page: a browser asks for one, at an address for people."""
    path: str = request.scope["path"]
    return request.method == "GET" and not path.startswith(FOR_PROGRAMS) and wants_page(request)
