"""A page per problem type: what `type` in an error points to. JSON for programs, HTML for browsers."""

from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.params import PathParameter
from msgspec import Struct

from service.api.answers import OPEN_CACHE, answer
from service.api.html_answers import sent, wants_page
from service.api.problem_examples import problems_told
from service.api.problem_types import PROBLEM_TYPES, ProblemType
from service.errors import NotFound
from service.reference.problem_pages import problem_page, problems_page

TAGS = ["Problems"]
VARIES = {"vary": "Accept"}


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


@get("/problems", operation_id="listProblems", summary="List problem types", tags=TAGS, html=True)
async def list_problems(request: Request[Any, Any, Any]) -> Response[ProblemPages]:
    """Every problem type, with meaning and mend."""
    if wants_page(request):
        return sent(problems_page(tuple(problems_told().values())), headers=VARIES)
    kinds = PROBLEM_TYPES.values()
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
    if wants_page(request):
        return sent(problem_page(problems_told()[slug]), headers=VARIES)
    return answer(request, _page(kind), cache=OPEN_CACHE)
