"""The contract to read and try out: Swagger UI, its files served from here as they were published."""

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from service.page.assets import MEDIA_TYPES, Asset
from service.reference.frames import page
from service.reference.markup import element, link

FOLDER = Path(__file__).with_name("swagger_ui")


@lru_cache(maxsize=1)
def vendored_assets() -> Mapping[str, Asset]:
    """Return the files of Swagger UI by name, its licences among them."""
    plain = "text/plain; charset=utf-8"
    found = {
        path.name: Asset(MEDIA_TYPES.get(path.suffix, plain), path.read_bytes())
        for path in sorted(FOLDER.iterdir())
        if path.is_file()
    }
    return MappingProxyType(found)


@lru_cache(maxsize=1)
def docs_page() -> Asset:
    """Return the page at /docs."""
    return page(
        "The contract",
        element(
            "p",
            "Every operation, to read and to try out here. The same for programs: ",
            link("/openapi.json", element("code", "GET /openapi.json")),
            ". What errors mean: ",
            link("/problems", "problems"),
            ". What the numbers are: ",
            link("/policies", "policies"),
            " and ",
            link("/evidence", "evidence"),
            ".",
        ),
        element("p", id="docs-key", role="status"),
        element(
            "noscript",
            element("p", "Trying out takes JavaScript; the document above does not.", kind="notice"),
        ),
        element("div", id="swagger-ui"),
        element(
            "p",
            "Drawn by Swagger UI, ",
            link("/docs/LICENSE", "Apache License 2.0"),
            " (",
            link("/docs/NOTICE", "notice"),
            ", ",
            link("/docs/swagger-ui-bundle.js.LICENSE.txt", "what it contains"),
            ").",
            kind="hint",
        ),
        script="docs.js",
        styles=("/docs/swagger-ui.css", "/page/docs.css"),
    )
