"""Where programs find this API: the catalogue of RFC 9727, a linkset (RFC 9264) with the relations of RFC 8631."""

from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get
from msgspec import Meta, Struct

from service.api.answers import OPEN_CACHE

PATH = "/.well-known/api-catalog"
LINKSET = "application/linkset+json"
PROFILE = "https://www.rfc-editor.org/info/rfc9727"
API = "/v1"


class Link(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One target of a link."""

    href: Annotated[str, Meta(description="Relative to this service.")]
    type: str | None = None
    title: str | None = None


class LinkContext(Struct, frozen=True, kw_only=True, omit_defaults=True, rename="kebab"):
    """What is linked from one `anchor`, by relation."""

    anchor: str
    item: tuple[Link, ...] = ()
    service_desc: Annotated[tuple[Link, ...], Meta(description="For programs.")] = ()
    service_doc: Annotated[tuple[Link, ...], Meta(description="For people.")] = ()
    status: Annotated[tuple[Link, ...], Meta(description="Whether it can be used now.")] = ()


class ApiCatalog(Struct, frozen=True, kw_only=True):
    """The APIs of this service and where each is described."""

    linkset: tuple[LinkContext, ...]


CATALOG = ApiCatalog(
    linkset=(
        LinkContext(anchor=PATH, item=(Link(href=API, title="Effort prescription"),)),
        LinkContext(
            anchor=API,
            service_desc=(Link(href="/openapi.json", type="application/json", title="OpenAPI 3.1 document"),),
            service_doc=(
                Link(href="/docs", type="text/html", title="The contract, to try out"),
                Link(href="/problems", type="text/html", title="What errors mean"),
            ),
            status=(Link(href="/health/ready", type="application/json"),),
        ),
    )
)
_BODY = msgspec.json.encode(CATALOG)
_HEADERS = {
    "cache-control": OPEN_CACHE,
    # RFC 9727, section 2: HEAD tells the links as well
    "link": f'<{PATH}>; rel="api-catalog", <{API}>; rel="item"',
}
LINK_HEADER = {
    "Link": {
        "description": '`rel="api-catalog"` and `rel="item"` (RFC 9727), on HEAD too.',
        "schema": {"type": "string"},
    }
}


@get(
    PATH,
    operation_id="getApiCatalog",
    summary="Find this API",
    tags=["Document"],
    media_type_only=LINKSET,
    answer_headers=LINK_HEADER,
)
async def get_api_catalog(request: Request[Any, Any, Any]) -> Response[ApiCatalog]:  # noqa: ARG001 - the same for all
    """Where programs find the document, the pages for people and the status of this API (RFC 9727)."""
    return Response(content=_BODY, media_type=f'{LINKSET}; profile="{PROFILE}"', headers=_HEADERS)  # type: ignore[arg-type]  # encoded
