"""Pictures hold what they say: all is drawn where the labels put the number, measured as with a ruler."""

from itertools import accumulate, pairwise
from typing import Any
from xml.etree import ElementTree as ET

import httpx
import pytest

from service.pictures.review import draw_review
from service.rules.learning.review import review_of, weeks_until
from tests.api.test_pictures import ACCEPT, CONTEXTS, ONE, SPACE, read_picture
from tests.rules.lifters import at, known_from, micros, performed

PIXELS = 0.05  # figures have six digits


def shapes(root: ET.Element, tag: str, kind: str) -> list[ET.Element]:
    """Return the shapes of this class, in the order they are drawn."""
    return [each for each in root.iter(f"{SPACE}{tag}") if each.get("class", "") == kind]


def span(shape: ET.Element) -> tuple[float, float]:
    """Return where a rectangle or polygon begins and ends from left to right."""
    if (points := shape.get("points")) is not None:
        across = [float(point.partition(",")[0]) for point in points.split()]
        return min(across), max(across)
    left = float(shape.get("x", ""))
    return left, left + float(shape.get("width", ""))


class Track:
    """Where reserves lie, by the labels below."""

    def __init__(self, root: ET.Element) -> None:
        self.labels = {
            int(each.text or ""): float(each.get("x", "")) for each in shapes(root, "text", "middle")
        }
        self.rep = self.labels[0] - self.labels[1]

    def at(self, *reserves: float) -> Any:
        """Return the places of these reserves [repetitions], from left to right."""
        return pytest.approx(
            tuple(self.labels[0] - self.rep * each for each in sorted(reserves, reverse=True)), abs=PIXELS
        )


async def drawn(
    client: httpx.AsyncClient, context: dict[str, Any]
) -> tuple[dict[str, Any], ET.Element, Track]:
    """Return the answer, its picture, and the track of it."""
    plain = (await client.post(ONE, json=context)).json()
    root = read_picture(await client.post(ONE, json=context, headers=ACCEPT))
    return plain, root, Track(root)


@pytest.mark.parametrize("context", CONTEXTS)
async def test_steps_lead_from_sum_to_sum(client: httpx.AsyncClient, context: dict[str, Any]) -> None:
    """Each arrow of a reason begins at the sum before it and points at the sum after it, in its colour."""
    plain, root, track = await drawn(client, context)
    sums = [0.0, *accumulate(each["effect_reps"] for each in plain["reasons"])]
    walked = [(start, end) for start, end in pairwise(sums) if start != end]
    bars = [each for each in root.iter(f"{SPACE}rect") if each.get("class") in ("away", "closer")]
    for (start, end), arrow, bar in zip(walked, root.iter(f"{SPACE}polygon"), bars, strict=True):
        assert arrow.get("class") == bar.get("class") == ("away" if end > start else "closer")
        tip, height = map(float, (arrow.get("points") or "").split()[0].split(","))
        assert (tip,) == track.at(end)
        edges = (*span(arrow), *span(bar))
        assert (min(edges), max(edges)) == track.at(start, end)
        assert float(bar.get("y", "")) + float(bar.get("height", "")) / 2 == height


@pytest.mark.parametrize("context", CONTEXTS)
async def test_band_and_cells_are_as_wide_as_their_reps(
    client: httpx.AsyncClient, context: dict[str, Any]
) -> None:
    """The range behind all; the last repetitions done, each with its number; those left before the wall."""
    plain, root, track = await drawn(client, context)
    found, last = plain["reps_in_reserve"], context["rep_target"]
    (band,) = shapes(root, "rect", "band")
    assert span(band) == track.at(found["low"], found["high"])
    done, left = (sorted(map(span, shapes(root, "rect", kind))) for kind in ("done", "left"))
    shown = min(last, len(track.labels) - found["target"])
    assert (done[0][0], done[-1][1]) == track.at(found["target"] + shown, found["target"])
    assert all(one[1] == pytest.approx(other[0], abs=PIXELS) for one, other in pairwise([*done, *left]))
    assert [each[1] for each in left[-1:]] == [track.labels[0]][: len(left)]
    counts = sorted(int(each.text or "") for each in shapes(root, "text", "count middle"))
    assert counts == list(range(last - int(shown) + 1, last + 1))


def test_dots_of_a_review_stand_at_their_means() -> None:
    """Height by the labels 0 and most of the row; the first week at the left, the last at the right."""
    known = known_from(
        performed(at(), 1, prescribed_rir=2, reported_rir=1),
        performed(at(7), 2, prescribed_rir=3, reported_rir=3.5),
        performed(at(14), 3, prescribed_rir=0.5, reported_rir=4),
    )
    root = ET.fromstring(draw_review(review_of("a", known, weeks_until(micros(at(14)), 3))))  # noqa: S314 - our own
    asked, done = (
        [(float(each.get("cx", "")), float(each.get("cy", ""))) for each in shapes(root, "circle", kind)][1:]
        for kind in ("open", "closer")
    )
    ends = [each for each in shapes(root, "text", "quiet end") if (each.text or "").isdigit()]
    (floor, ceiling), most = (
        (float(each.get("y", "")) - 4 for each in ends),
        4,
    )  # writing stands a little below its line
    assert [each.text for each in ends] == ["0", "4"]
    weeks = [each for each in root.iter(f"{SPACE}text") if (each.text or "").startswith("week of ")]
    first, last = (float(each.get("x", "")) for each in weeks)
    across = (first, (first + last) / 2, last)
    for told, dots in (((2, 3, 0.5), asked), ((1, 3.5, 4), done)):
        wanted = [(x, floor - (floor - ceiling) * reps / most) for x, reps in zip(across, told, strict=True)]
        assert dots == [pytest.approx(each, abs=PIXELS) for each in wanted]
