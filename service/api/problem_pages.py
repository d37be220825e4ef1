"""A page per problem type: what `type` in an error points to. JSON for programs, HTML for browsers."""

from html import escape
from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.params import PathParameter
from msgspec import Struct

from service.api.answers import OPEN_CACHE, answer
from service.api.problem_types import PROBLEM_TYPES, ProblemType
from service.errors import NotFound

TAGS = ["Problems"]


class ProblemPage(Struct, frozen=True, kw_only=True):
    """One problem type."""

    type: str
    status: int
    title: str
    meaning: str
    mend: str


class ProblemPages(Struct, frozen=True, kw_only=True):
    """Every problem type the service answers with."""

    problems: tuple[ProblemPage, ...]


def _page(kind: ProblemType) -> ProblemPage:
    return ProblemPage(
        type=f"/problems/{kind.slug}",
        status=kind.status,
        title=kind.title,
        meaning=kind.meaning,
        mend=kind.mend,
    )


def _html(kinds: list[ProblemType]) -> Response[Any]:
    parts = [
        f'<section id="{kind.slug}"><h1>{kind.status} {escape(kind.title)}</h1>'
        f"<p>{escape(kind.meaning)}</p><p><strong>To mend it:</strong> {escape(kind.mend)}</p></section>"
        for kind in kinds
    ]
    page = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(kinds[0].title if len(kinds) == 1 else 'Problem types')}</title></head>"
        f"<body><main>{''.join(parts)}</main></body></html>"
    )
    headers = {"cache-control": OPEN_CACHE, "vary": "Accept"}
    return Response(content=page.encode(), media_type="text/html; charset=utf-8", headers=headers)


def _wants_html(request: Request[Any, Any, Any]) -> bool:
    return "text/html" in request.headers.get("accept", "")


@get("/problems", operation_id="listProblems", summary="List problem types", tags=TAGS, html=True)
async def list_problems(request: Request[Any, Any, Any]) -> Response[ProblemPages]:
    """Every problem type, with meaning and mend."""
    kinds = list(PROBLEM_TYPES.values())
    if _wants_html(request):
        return _html(kinds)
    return answer(request, ProblemPages(problems=tuple(map(_page, kinds))), cache=OPEN_CACHE)


@get("/problems/{slug:str}", operation_id="getProblem", summary="Read one problem type", tags=TAGS, html=True)
async def get_problem(
    request: Request[Any, Any, Any],
    slug: Annotated[str, PathParameter(description="Last part of a problem's `type`.")],
) -> Response[ProblemPage]:
    """What a problem means and how to mend it."""
    kind = PROBLEM_TYPES.get(slug)
    if kind is None:
        raise NotFound("no problem type of this name; GET /problems lists all")
    return _html([kind]) if _wants_html(request) else answer(request, _page(kind), cache=OPEN_CACHE)
