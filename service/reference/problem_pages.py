"""Pages of the problem types: what happened, how to mend it, and how the answer looks."""

from typing import NamedTuple

from service.page.assets import Asset
from service.reference.frames import PROBLEMS, as_data, facts, page, trail
from service.reference.markup import element, link, path, prose, table


class ProblemTold(NamedTuple):
    """A problem type: `example` is an answer as it is sent, in lines."""

    slug: str
    status: int
    title: str
    meaning: str
    mend: str
    example: str


def problems_page(kinds: tuple[ProblemTold, ...]) -> Asset:
    """Return the list of problem types."""
    return page(
        "Problems",
        prose(
            "Every error is an RFC 9457 problem: `application/problem+json`, whose `type` leads to one of these pages, "
            "and whose `errors` lists every bad place at once."
        ),
        table(
            "Problem types by status",
            ("Status", "Type", "What happened", "How to mend it"),
            (
                (
                    str(kind.status),
                    link(path("problems", kind.slug), kind.title),
                    prose(kind.meaning),
                    prose(kind.mend),
                )
                for kind in kinds
            ),
        ),
        as_data("/problems"),
    )


def problem_page(kind: ProblemTold) -> Asset:
    """Return the page of one problem type."""
    return page(
        kind.title,
        trail(PROBLEMS),
        facts(
            ("Status", str(kind.status)),
            ("Type", element("code", path("problems", kind.slug))),
            ("What happened", prose(kind.meaning, "span")),
            ("How to mend it", prose(kind.mend, "span")),
        ),
        element("h2", "An example answer"),
        element("pre", kind.example, tabindex="0", role="region", aria_label="An example answer"),
        as_data(path("problems", kind.slug)),
    )


def fault_page(slug: str, title: str, mend: str, *, told: str, request_id: str) -> Asset:
    """Return what a browser is shown where a page cannot be had: `told` says what is wrong with this request."""
    return page(
        title,
        element("p", told),
        prose(mend),
        element("p", "What it means: ", link(path("problems", slug), title), "."),
        element("p", "Request ", element("code", request_id), kind="hint"),
    )
