"""The one shape every error has."""

from typing import Any

import httpx

from service.api.problem_types import PROBLEM_TYPES

PLACES = ("pointer", "parameter", "header", "check")


def assert_problem(response: httpx.Response, status: int, *places: str) -> dict[str, Any]:
    """Return the problem after checking its whole shape; `places` are the bad places, in any order."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    assert response.headers["x-content-type-options"] == "nosniff"
    problem: dict[str, Any] = response.json()
    assert {"type", "title", "status", "detail", "instance", "request_id"} <= set(problem)
    assert problem["status"] == status
    kind = PROBLEM_TYPES[problem["type"].removeprefix("/problems/")]
    assert (kind.status, kind.title) == (status, problem["title"])
    assert problem["request_id"] == response.headers["x-request-id"]
    assert problem["instance"] == response.request.url.path[:200]
    entries = problem.get("errors", [])
    found = [entry[place] for entry in entries for place in PLACES if place in entry]
    if places:
        assert sorted(found) == sorted(places), entries
    assert all(entry["detail"] and len(entry["detail"]) < 600 for entry in entries)
    return problem
