"""The reference as a reader meets it: every link leads somewhere, every page is whole, strict and readable."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest

from service.api.answers import prefers_html
from service.api.problem_examples import problems_told
from service.api.problem_types import PROBLEM_TYPES
from service.policy.catalogue import load_policies
from service.reference.sections import ledger_names
from tests.api.crawl import BROWSER, Page, crawl
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import served

POLICY = Path(__file__).parents[2] / "service" / "policy"
POLICIES = load_policies()
EVIDENCE = POLICIES.newest.data.evidence
WANTED = {
    "/docs",
    "/policies",
    "/evidence",
    "/problems",
    *(f"/problems/{slug}" for slug in PROBLEM_TYPES),
    *(f"/evidence/{key}" for key in EVIDENCE),
    *(f"/policies/{policy.version}" for policy in POLICIES.versions),
    *(
        f"/policies/{policy.version}/{name}"
        for policy in POLICIES.versions
        for name in ledger_names(policy.data)
    ),
    "/numbers/learning",
    "/numbers/carryover",
    "/numbers/plans",
}

ABSENT = (
    "/docs/x",
    "/evidence/NONE",
    "/numbers/x",
    "/policies/1999-01-01",
    "/policies/2026-11-26/x",
    "/problems/x",
    "/x",
)


def cited(data: Any) -> Iterator[str]:
    """Yield every key in an `evidence` list of a TOML file, wherever it stands."""
    if isinstance(data, dict):
        own = data.get("evidence", [])
        yield from (key for key in own if isinstance(key, str))
        for value in data.values():
            yield from cited(value)
    elif isinstance(data, list):
        for value in data:
            yield from cited(value)


def assert_strict(path: str, page: Page) -> None:
    """Nothing in the markup runs or styles by itself, one heading leads, ids are unique, no link tells where it was."""
    policy = page.answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy, path
    assert "unsafe" not in policy, path
    assert page.read.inline == [], path
    assert page.read.tags.count("main") == 1, path
    assert path == "/" or page.read.tags.count("h1") == 1, path
    assert len(set(page.read.ids)) == len(page.read.ids), path
    for link in page.read.outside:
        assert {"external", "noopener", "noreferrer"} <= set((link["rel"] or "").split()), path


async def test_every_page_is_reached_from_the_front_and_every_link_leads_somewhere() -> None:
    """The crawl finds each problem type, factor, source and policy; each page is strict and has an entity tag."""
    with fresh_database("sqlite") as url:
        async with served(url) as client:
            pages = await crawl(client, "/")
            assert set(pages) >= WANTED
            for path, page in pages.items():
                assert_strict(path, page)
            for path in ("/policies", "/evidence/LAS22", "/problems/conflict", "/docs"):
                tag = {"if-none-match": pages[path].answer.headers["etag"]}
                again = await client.get(path, headers=BROWSER | tag)
                assert (again.status_code, again.content) == (304, b""), path
    for key, entry in EVIDENCE.items():
        read = pages[f"/evidence/{key}"].read
        links = [str(link["href"]) for link in read.outside]
        assert links == ([f"https://doi.org/{entry.doi}"] if entry.doi else []), key
        for told in (entry.citation, entry.design, entry.finding, entry.licenses, entry.limits):
            assert told.strip() in read.text, key
    for file in sorted(POLICY.rglob("*.toml")):
        for key in cited(tomllib.loads(file.read_text("utf-8"))):
            assert "No number: it is background." not in pages[f"/evidence/{key}"].read.text, (file.name, key)


async def test_what_is_not_there_is_told_to_people_as_a_page_and_to_programs_as_a_problem() -> None:
    """A browser gets HTML that leads on; whoever does not ask for HTML first gets RFC 9457."""
    with fresh_database("sqlite") as url:
        async with served(url) as client:
            for path in ABSENT:
                page = await client.get(path, headers=BROWSER)
                assert page.status_code == 404, path
                assert page.headers["content-type"] == "text/html; charset=utf-8"
                assert (page.headers["cache-control"], page.headers["vary"]) == ("no-store", "Accept")
                assert 'href="/problems/not-found"' in page.text
                assert_problem(await client.get(path), 404)
            assert_problem(await client.get("/v1/nowhere", headers=BROWSER), 404)
            assert_problem(await client.post("/policies", headers=BROWSER), 405)  # no form of ours: a program


async def test_a_problem_type_is_one_address_for_people_and_programs() -> None:
    """`type` leads both to the same words; the example on the page is a problem of that very type."""
    with fresh_database("sqlite") as url:
        async with served(url) as client:
            for slug, kind in PROBLEM_TYPES.items():
                told = (await client.get(f"/problems/{slug}")).json()
                page = await client.get(f"/problems/{slug}", headers=BROWSER)
                [shown] = re.findall(r"<pre[^>]*>(.*?)</pre>", page.text, re.DOTALL)
                example = msgspec.json.decode(shown.replace("&lt;", "<").replace("&gt;", ">"))
                assert (example["type"], example["status"]) == (told["type"], kind.status)
                assert example["title"] == told["title"]
                assert "Accept" in page.headers["vary"]


async def test_the_example_of_bad_input_is_what_the_service_says_of_it(client: httpx.AsyncClient) -> None:
    """Every word of it, for a request that anybody can repeat."""
    sent = {"rep_target": 0, "exercise_order": 6, "exercises_in_session": 5}
    refused = await client.post("/v1/prescriptions", params={"detial": "full"}, json=sent)
    shown = json.loads(problems_told()["invalid-input"].example)
    errors = assert_problem(refused, 422)["errors"]
    assert sorted(errors, key=str) == sorted(shown["errors"], key=str)
    assert refused.json()["detail"] == shown["detail"]


@pytest.mark.parametrize(
    ("accept", "html"),
    [
        (BROWSER["accept"], True),
        ("text/html,*/*", True),
        ("*/*", False),
        ("", False),
        ("application/json, text/plain, */*", False),
        ("application/json, text/html;q=0.9", False),
        ("text/html;q=0", False),
        ("text/html;q=0.1, application/*;q=0.5", False),
    ],
)
def test_html_is_sent_to_who_prefers_it(accept: str, html: bool) -> None:
    """Qualities decide (RFC 9110, section 12.5.1); a program that takes anything gets JSON."""
    assert prefers_html(accept) is html
