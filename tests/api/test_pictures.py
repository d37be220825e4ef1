"""Answers as SVG: asked for by Accept (RFC 9110), readable without eyes, harmless wherever they are embedded.

Names and descriptions follow the SVG Accessibility API Mappings (W3C): `title` and `desc` as children of the root.
"""

import re
from base64 import b64encode
from collections.abc import AsyncIterator
from datetime import timedelta
from fractions import Fraction
from hashlib import sha256
from typing import Any
from xml.etree import ElementTree as ET

import httpx
import msgspec
import pytest

from service.api.answers import wanted_media_type
from service.api.reading import JSON, MESSAGEPACK
from tests.api.gym import TODAY, gym, log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database

SVG = "image/svg+xml"
ONE = "/v1/prescriptions"
SPACE = "{http://www.w3.org/2000/svg}"
ACCEPT = {"accept": SVG}
CONTEXTS: tuple[dict[str, Any], ...] = (
    {"rep_target": 8, "exercise": "leg_press", "experience": "novice", "exposures": 0},
    # Discounts lead through the wall; the window brings the sum back.
    {
        "rep_target": 15,
        "exercise": "leg_extension",
        "experience": "advanced",
        "exercise_order": 5,
        "exercises_in_session": 5,
        "set_order": 3,
        "sets_in_exercise": 3,
    },
    {"rep_target": 3, "exercise": "barbell_bench_press", "goal": "strength", "cautions": ["pregnancy"]},
    {"rep_target": 1, "deload": True},
)


def read_picture(answer: httpx.Response) -> ET.Element:
    """Return the root of a picture after checking everything that holds for all of them."""
    assert answer.status_code == 200
    assert answer.headers["content-type"].partition(";")[0] == SVG
    assert "Accept" in answer.headers["vary"].split(", ")
    root = ET.fromstring(answer.text)  # noqa: S314 - our own
    assert root.tag == f"{SPACE}svg"
    assert root.get("role") == "img"
    assert [child.tag.removeprefix(SPACE) for child in list(root)[:3]] == ["title", "desc", "style"]
    assert root[0].text
    assert root[1].text
    tags = {each.tag.removeprefix(SPACE) for each in root.iter()}
    assert tags <= {"svg", "title", "desc", "style", "rect", "line", "circle", "polygon", "text"}
    names = {name for each in root.iter() for name in each.attrib}
    assert not {name for name in names if "href" in name or name.startswith("on") or name == "style"}
    assert "url(" not in answer.text
    assert "prefers-color-scheme:dark" in (root[2].text or "")
    # CSP level 3: a style is allowed by the hash of its very text.
    digest = b64encode(sha256((root[2].text or "").encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in answer.headers["content-security-policy"]
    assert answer.headers["content-security-policy"].startswith("default-src 'none';")
    inside(root)
    return root


def inside(root: ET.Element) -> None:
    """Nothing drawn lies outside the picture."""
    _, _, width, height = map(float, (root.get("viewBox") or "").split())
    for each in root.iter():
        for across, most in (("x", width), ("x1", width), ("x2", width), ("cx", width)):
            assert 0 <= float(each.get(across, "0")) <= most
        for up in ("y", "y1", "y2", "cy"):
            assert 0 <= float(each.get(up, "0")) <= height
    for each in root.iter(f"{SPACE}rect"):
        x, y, wide, high = (float(each.get(name, "")) for name in ("x", "y", "width", "height"))
        assert 0 < wide <= width - x + 0.01
        assert 0 < high <= height - y


def texts(root: ET.Element, kind: str) -> list[str]:
    """Return the texts of this class."""
    return [each.text or "" for each in root.iter(f"{SPACE}text") if kind == each.get("class", "")]


def read(told: str) -> Fraction:
    """Return a number as it is written in the picture."""
    return Fraction(told.replace("\N{MINUS SIGN}", "-"))


@pytest.mark.parametrize("context", CONTEXTS)
async def test_the_reasons_drawn_are_those_of_the_answer_and_add_up(
    client: httpx.AsyncClient, context: dict[str, Any]
) -> None:
    """Every effect and text, and steps that begin where the one before ended."""
    plain = (await client.post(ONE, json=context)).json()
    root = read_picture(await client.post(ONE, json=context, headers=ACCEPT))
    effects = [read(told) for told in texts(root, "name end")]
    assert effects == [Fraction(each["effect_reps"]) for each in plain["reasons"]]
    target = Fraction(plain["reps_in_reserve"]["target"])
    assert sum(effects) == target == read(texts(root, "head end")[0])
    assert (root[0].text or "").startswith(f"Leave {float(target):g} rep")
    for each in (*plain["reasons"], *plain["cautions"]):
        assert each["text"] in (root[1].text or "")
    stems = [each for each in root.iter(f"{SPACE}line") if each.get("class") == "stem"]
    left, right = (float(stems[-1].get(name, "")) for name in ("x1", "x2"))
    ends = [float(each.get("x1", "")) for each in root.iter(f"{SPACE}line") if each.get("class") == "rule"]
    assert left == right == ends[-1]
    drawn_to_scale(root, plain, context["rep_target"])


def drawn_to_scale(root: ET.Element, answer: Any, rep_target: int) -> None:
    """Read by the axis: every step ends at its sum and points its way, the shade is the range, the sum is written."""
    axis = {int(each.text or ""): float(each.get("x", "")) for each in of_class(root, "text", "middle")}

    def place(reserve: Any) -> Any:
        return pytest.approx(axis[0] - float(reserve) * (axis[0] - axis[1]), abs=0.02)

    effects = [Fraction(each["effect_reps"]) for each in answer["reasons"]]
    ends = [sum(effects[: count + 1]) for count, effect in enumerate(effects) if effect]
    tips = list(root.iter(f"{SPACE}polygon"))
    assert [float((tip.get("points") or "").split(",")[0]) for tip in tips] == [place(end) for end in ends]
    assert [tip.get("class") for tip in tips] == [
        "away" if each > 0 else "closer" for each in effects if each
    ]
    found = answer["reps_in_reserve"]
    [band] = of_class(root, "rect", "band")
    left, width = (float(band.get(name, "")) for name in ("x", "width"))
    assert (left, left + width) == (place(found["high"]), place(found["low"]))
    counted = [int(told) for told in texts(root, "count middle")]
    assert counted == list(range(rep_target, rep_target - len(counted), -1))
    [told] = [each for each in texts(root, "") if each.endswith(f" = {found['target']:g}")]
    terms = re.sub(r"([+\u2212]) ", r"\1", told.split(" = ")[0]).split()
    assert [read(term) for term in terms] == [each for each in effects if each]
    said = " ".join(each.text or "" for each in root.iter(f"{SPACE}text"))
    for caution in answer["cautions"]:
        assert f": {caution['text']}" in said


def of_class(root: ET.Element, tag: str, kind: str) -> list[ET.Element]:
    """Return the marks of this class."""
    return [each for each in root.iter(f"{SPACE}{tag}") if each.get("class") == kind]


async def test_a_withheld_target_is_drawn_as_none(client: httpx.AsyncClient) -> None:
    """The caution stands first, whatever else was said, and no number anywhere."""
    body = {"rep_target": 8, "cautions": ["first_session", "age_65_or_over", "warning_signs"]}
    root = read_picture(await client.post(ONE, json=body, headers=ACCEPT))
    assert (root[0].text or "").startswith("No target")
    assert texts(root, "name")[0].startswith("Stop: ")
    assert (root[1].text or "").startswith("Warning signs")
    assert texts(root, "head end") == []


async def test_a_brief_answer_is_drawn_alike(client: httpx.AsyncClient) -> None:
    """The picture shows what both have."""
    answers = [
        await client.post(f"{ONE}?detail={each}", json=CONTEXTS[0], headers=ACCEPT)
        for each in ("full", "brief")
    ]
    assert answers[0].content == answers[1].content


async def test_errors_stay_problems(client: httpx.AsyncClient) -> None:
    """Whatever was asked for."""
    assert_problem(await client.post(ONE, json={"rep_target": 0}, headers=ACCEPT), 422, "#/rep_target")


@pytest.mark.parametrize(
    ("accept", "found"),
    [
        ("", JSON),
        ("*/*", JSON),
        ("application/json", JSON),
        (SVG, SVG),
        ("image/*", SVG),
        ("image/svg+xml;q=0.5, application/json", JSON),
        ("image/svg+xml;q=0, */*", JSON),
        ("image/svg+xml;q=0, image/*", JSON),
        ("application/vnd.msgpack, image/svg+xml;q=0.4", MESSAGEPACK),
        ("application/vnd.msgpack;q=0.3, image/svg+xml;q=0.4", SVG),
        ("image/avif,image/webp,image/apng,image/svg+xml,image/*,*/*;q=0.8", SVG),
        ("image/png", JSON),
        ("text/csv", JSON),
    ],
)
def test_accept_chooses(accept: str, found: str) -> None:
    """By quality values, the more specific first (RFC 9110, section 12.5.1); no 406."""
    assert wanted_media_type(accept, picture=True) == found
    assert wanted_media_type(accept) != SVG


async def test_routes_without_a_picture_answer_json(client: httpx.AsyncClient) -> None:
    """A batch is no picture."""
    answer = await client.post(f"{ONE}/batch", json={"contexts": [CONTEXTS[0]]}, headers=ACCEPT)
    assert answer.headers["content-type"] == JSON
    assert msgspec.json.decode(answer.content)["results"][0]["status"] == 200


@pytest.fixture
async def lifter() -> AsyncIterator[httpx.AsyncClient]:
    """A gym with a lifter."""
    with fresh_database("sqlite") as url:
        async with gym(url) as found:
            yield found


async def test_a_prescription_of_a_lifter_is_drawn(lifter: httpx.AsyncClient) -> None:
    """With what history filled in."""
    await log(lifter, set_body(1, set_endpoint="momentary_failure"), set_body(2))
    body = {"rep_target": 8, "exercise": "leg_press"}
    plain = (await lifter.post(path("prescriptions"), json=body)).json()
    root = read_picture(await lifter.post(path("prescriptions"), json=body, headers=ACCEPT))
    assert (root[0].text or "").startswith(f"Leave {plain['reps_in_reserve']['target']:g} rep")


def days_ago(days: int) -> str:
    """Return an instant so long ago."""
    return (TODAY - timedelta(days=days)).isoformat()


async def test_a_review_is_drawn_with_every_comparison_told(lifter: httpx.AsyncClient) -> None:
    """Two dots a week and exercise, and the same in words; without anything to compare it says so."""
    await lifter.put(path(), json={})
    empty = read_picture(await lifter.get(path("review"), headers=ACCEPT))
    assert "No set" in (empty[1].text or "")
    await log(
        lifter,
        set_body(1, prescribed_rir=2.0, reported_rir=1.0, performed_at=days_ago(9)),
        set_body(2, prescribed_rir=3.0, reported_rir=3.5, performed_at=days_ago(2)),
    )
    review = (await lifter.get(path("review"))).json()
    compared = [
        (week, each) for week in review["weeks"] for each in week["exercises"] if each["compared_sets"]
    ]
    assert len(compared) == 2
    root = read_picture(await lifter.get(path("review"), headers=ACCEPT))
    dots = [each.get("class") for each in root.iter(f"{SPACE}circle")]
    assert dots.count("open") == dots.count("closer") == len(compared) + 1  # one of each in the legend
    for week, each in compared:
        told = f"week of {week['starts_on']} prescribed {each['prescribed_rir_mean']:g}, done {each['done_rir_mean']:g}"
        assert told in (root[1].text or "")
    assert re.search(r"\d", root[0].text or "")
    # Prescribed is open, done is filled, both read by the numbers of their row.
    low, high = (
        next(
            float(each.get("y", "")) - 4 for each in of_class(root, "text", "quiet end") if each.text == told
        )
        for told in ("0", "3.5")
    )
    for kind, member in (("open", "prescribed_rir_mean"), ("closer", "done_rir_mean")):
        drawn = [
            3.5 * (low - float(dot.get("cy", ""))) / (low - high)
            for dot in of_class(root, "circle", kind)[1:]
        ]
        assert drawn == pytest.approx([each[member] for _, each in compared], abs=0.01)
