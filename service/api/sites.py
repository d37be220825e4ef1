"""Sites over HTTP, for the tenant's admin: places that lifters belong to and keys may be bound to."""

from typing import Annotated, Any

from litestar import Request, Response, delete, get, put
from litestar.params import PathParameter
from msgspec import Meta, Struct

from service.api.admission import matching
from service.api.answers import answer
from service.api.auditing import audited
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.preferences import APPLIED_HEADER, PREFER, written
from service.errors import NotFound
from service.storage.sites import SITE_PATTERN, SITE_TOLD, Site, make_sites
from service.storage.sites import delete_site as delete_stored
from service.storage.sites import list_sites as stored_sites
from service.storage.tenancy import reading_within, writing_within

TAGS = ["Keys and sites"]
SITE_PATH = {"site": matching(SITE_PATTERN, SITE_TOLD, "Name of the site.")}
SitePathName = Annotated[str, PathParameter(description="Name of the site, unique within the tenant.")]


class SiteShown(Struct, frozen=True, kw_only=True):
    """One site of the tenant."""

    site: str
    created_at: Annotated[str, Meta(description="In UTC.", extra_json_schema={"format": "date-time"})]


class Sites(Struct, frozen=True, kw_only=True):
    """Sites, by name."""

    sites: tuple[SiteShown, ...]


def _shown(site: Site) -> SiteShown:
    told = site.created_at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return SiteShown(site=site.name, created_at=told)


@get("/v1/sites", operation_id="listSites", summary="List sites", tags=TAGS, scopes=("admin",))
async def list_sites(request: Request[Any, Any, Any]) -> Response[Sites]:
    """The tenant's sites; for a key bound to some, those."""
    reach = principal_of(request).reach
    async with reading_within(request.app.state.store, reach) as r:
        found = await stored_sites(r, reach.tenant_id)
    return answer(request, Sites(sites=tuple(map(_shown, found))))


@put(
    "/v1/sites/{site:str}",
    operation_id="putSite",
    summary="Make a site",
    tags=TAGS,
    scopes=("admin",),
    whole_tenant=True,
    path_rules=SITE_PATH,
    headers=PREFER,
    statuses=(200, 201, 204),
    answer_headers=APPLIED_HEADER,
    never_missing=True,
    links={"deleteSite": {"operationId": "deleteSite", "parameters": {"site": "$request.path.site"}}},
)
async def put_site(request: Request[Any, Any, Any], site: SitePathName) -> Response[SiteShown]:
    """Makes the site if it is new: 201. One that is there stays as it is: 200."""
    caller, moment = principal_of(request), now()
    async with writing_within(request.app.state.store, caller.reach) as w:
        new = site in await make_sites(w, caller.tenant_id, [site], now=moment)
        if new:
            await audited(w, request, "created", at=moment, object_id=site)
        stored = next(each for each in await stored_sites(w, caller.tenant_id) if each.name == site)
    return written(request, _shown(stored), status=201 if new else 200)


@delete(
    "/v1/sites/{site:str}",
    operation_id="deleteSite",
    summary="Delete a site",
    tags=TAGS,
    status_code=204,
    scopes=("admin",),
    whole_tenant=True,
    path_rules=SITE_PATH,
    problems=(409,),
    statuses=(204,),
)
async def delete_site(request: Request[Any, Any, Any], site: SitePathName) -> Response[None]:
    """Deletes a site that nothing needs: 409 while a lifter belongs to it or a live key is bound to it."""
    caller, moment = principal_of(request), now()
    async with writing_within(request.app.state.store, caller.reach) as w:
        if not await delete_stored(w, caller.tenant_id, site, now=moment):
            raise NotFound("no site of this name")
        await audited(w, request, "deleted", at=moment, object_id=site)
    return Response(content=None, status_code=204, headers={"cache-control": "no-store"})
