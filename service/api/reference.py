"""The reference as pages: the contract to try out, policies, numbers besides them, evidence. Made once, then kept."""

from collections.abc import Callable
from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.params import PathParameter

from service.api.html_answers import sent
from service.errors import NotFound
from service.page.assets import Asset
from service.policy.catalogue import Policies
from service.reference.evidence_pages import evidence_index, evidence_page
from service.reference.interactive import docs_page, vendored_assets
from service.reference.policy_pages import numbers_page, policies_page, policy_page, section_page
from service.reference.sections import NUMBERS, Section, all_sections, section_names
from service.rules.plans.basis import PlanBasis
from service.rules.policy import Evidence

LONGEST = 40
Part = Annotated[str, PathParameter()]


def _kept(request: Request[Any, Any, Any], name: tuple[str, ...], make: Callable[[], Asset]) -> Response[Any]:
    """Send the page of this name, made when it is first asked for."""
    pages: dict[tuple[str, ...], Asset] = request.app.state.reference_pages
    if name not in pages:
        pages[name] = make()
    return sent(pages[name])


def _policies(request: Request[Any, Any, Any]) -> Policies:
    found: Policies = request.app.state.policies
    return found


def _basis(request: Request[Any, Any, Any]) -> PlanBasis:
    found: PlanBasis = request.app.state.plan_basis
    return found


def _sections(request: Request[Any, Any, Any]) -> tuple[Section, ...]:
    """Return all that may rest on a source, of the newest numbers."""
    state = request.app.state
    if "reference_sections" not in state:
        state["reference_sections"] = all_sections(_policies(request).newest.data, _basis(request))
    found: tuple[Section, ...] = state["reference_sections"]
    return found


def _register(request: Request[Any, Any, Any]) -> dict[str, Evidence]:
    return _policies(request).newest.data.evidence


@get("/docs", include_in_schema=False)
async def get_docs() -> Response[Any]:
    """The contract to read and try out."""
    return sent(docs_page())


@get("/docs/{name:str}", include_in_schema=False)
async def get_docs_asset(name: Part) -> Response[Any]:
    """One file of what draws the contract. Raises NotFound."""
    asset = vendored_assets().get(name)
    if asset is None:
        raise NotFound("no file of the contract's page has this name")
    return sent(asset)


@get("/policies", include_in_schema=False)
async def get_policies_page(request: Request[Any, Any, Any]) -> Response[Any]:
    """All versions of the numbers."""
    versions = tuple(policy.data for policy in _policies(request).versions)
    return _kept(request, ("policies",), lambda: policies_page(versions))


@get("/policies/{version:str}", include_in_schema=False)
async def get_policy_page(request: Request[Any, Any, Any], version: Part) -> Response[Any]:
    """One version whole. Raises PolicyNotFound."""
    data = _policies(request).get(version[:LONGEST]).data
    return _kept(request, ("policies", data.version), lambda: policy_page(data))


@get("/policies/{version:str}/{name:str}", include_in_schema=False)
async def get_section_page(request: Request[Any, Any, Any], version: Part, name: Part) -> Response[Any]:
    """One factor or limit of a version. Raises PolicyNotFound, NotFound."""
    data = _policies(request).get(version[:LONGEST]).data
    if name not in section_names(data):
        raise NotFound(f"no factor or limit of this name in policy {data.version}; its page lists all")
    return _kept(request, ("policies", data.version, name), lambda: section_page(data, name))


@get("/numbers/{name:str}", include_in_schema=False)
async def get_numbers_page(request: Request[Any, Any, Any], name: Part) -> Response[Any]:
    """The numbers of learning, carry-over or plans. Raises NotFound."""
    basis = _basis(request)
    if name not in NUMBERS:
        raise NotFound(f"no numbers of this name; there are {', '.join(NUMBERS)}")
    return _kept(request, ("numbers", name), lambda: numbers_page(basis, name))


@get("/evidence", include_in_schema=False)
async def get_evidence_index(request: Request[Any, Any, Any]) -> Response[Any]:
    """The register of sources."""
    return _kept(request, ("evidence",), lambda: evidence_index(_register(request), _sections(request)))


@get("/evidence/{key:str}", include_in_schema=False)
async def get_evidence_page(request: Request[Any, Any, Any], key: Part) -> Response[Any]:
    """One source, and what rests on it. Raises NotFound."""
    entry = _register(request).get(key)
    if entry is None:
        raise NotFound("no evidence of this key; the list at /evidence has all")
    return _kept(request, ("evidence", key), lambda: evidence_page(entry, _sections(request)))


HANDLERS = (
    get_docs,
    get_docs_asset,
    get_policies_page,
    get_policy_page,
    get_section_page,
    get_numbers_page,
    get_evidence_index,
    get_evidence_page,
)
