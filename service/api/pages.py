"""The page for people: its files, what its forms are made of, and the key it may use without asking."""

import logging
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get
from litestar.params import PathParameter
from msgspec import Struct

from service.api.answers import answer
from service.api.document import document_bytes
from service.api.html_answers import CACHE, sent
from service.api.keyring import SCHEME, KeyRing
from service.errors import NotFound, Unauthenticated
from service.page.assets import home, static_assets
from service.settings import PageLifter, Settings

# Everybody who opens the page gets its key, so it may read and compute, and nothing else.
HANDED_OUT = frozenset({"prescribe", "history:read"})
FORMS = {
    "context": "SetContext",
    "plan": "Plan",
}
_SCHEMAS = "#/components/schemas/"
_log = logging.getLogger("service.api")


class PageAccess(Struct, frozen=True, kw_only=True):
    """What the page may use without asking: a key, or none, and the lifters it offers to show."""

    key: str | None
    lifters: tuple[PageLifter, ...]


class Page(Struct, frozen=True, kw_only=True):
    """What the operator lets the page have."""

    key: str
    lifters: tuple[PageLifter, ...]


def open_page(settings: Settings) -> Page:
    """Return what the settings say of the page."""
    return Page(key=settings.page_key, lifters=settings.page_lifters)


@get("/", include_in_schema=False)
async def get_home() -> Response[Any]:
    """The page."""
    return sent(home())


@get("/page/{name:str}", include_in_schema=False)
async def get_asset(name: Annotated[str, PathParameter()]) -> Response[Any]:
    """One file of the page. Raises NotFound."""
    asset = static_assets().get(name)
    if asset is None:
        raise NotFound("no file of the page has this name")
    return sent(asset)


async def _handed_out(key: str, keyring: KeyRing) -> str | None:
    """Return the key when it is alive and can do no harm in anybody's hands."""
    try:
        principal = await keyring.principal(SCHEME + key, HANDED_OUT)
    except Unauthenticated:
        _log.warning("EFFORT_PAGE_KEY is no live key: the page asks for one")
        return None
    if HANDED_OUT.issuperset(principal.scopes):
        return key
    _log.warning(
        "EFFORT_PAGE_KEY may do more than %s: the page asks for a key", ", ".join(sorted(HANDED_OUT))
    )
    return None


@get("/page/access", include_in_schema=False)
async def get_access(request: Request[Any, Any, Any]) -> Response[PageAccess]:
    """The key of EFFORT_PAGE_KEY and the lifters of EFFORT_PAGE_LIFTERS; null and none without."""
    page: Page = request.app.state.page
    key = await _handed_out(page.key, request.app.state.keyring) if page.key else None
    found = PageAccess(key=key, lifters=() if key is None else page.lifters)
    return answer(request, found, headers={"cross-origin-resource-policy": "same-origin"})


def _with_named(name: str, schemas: dict[str, Any], found: dict[str, Any]) -> None:
    """Put the schema into `found` with all it refers to."""
    if name in found:
        return
    found[name] = schemas[name]
    for part in msgspec.json.encode(schemas[name]).decode().split(f'"$ref":"{_SCHEMAS}')[1:]:
        _with_named(part.partition('"')[0], schemas, found)


def _forms(document: dict[str, Any]) -> dict[str, Any]:
    schemas: dict[str, Any] = {}
    for name in FORMS.values():
        _with_named(name, document["components"]["schemas"], schemas)
    operation = document["paths"]["/v1/plan-prescriptions"]["post"]
    examples = operation["requestBody"]["content"]["application/json"]["examples"]
    return {"forms": FORMS, "schemas": schemas, "plans": {name: e["value"] for name, e in examples.items()}}


@get("/page/forms", include_in_schema=False)
async def get_forms(request: Request[Any, Any, Any]) -> Response[dict[str, Any]]:
    """The part of the document that the forms are made of: schemas of what is sent, and example plans."""
    state = request.app.state
    if "forms" not in state:
        state["forms"] = _forms(msgspec.json.decode(document_bytes(request.app)))
    return answer(request, state["forms"], cache=CACHE)


HANDLERS = (get_home, get_asset, get_access, get_forms)
