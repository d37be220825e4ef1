"""Plots as SVG inside a page: no script, no style of their own; the page's stylesheet inks them for day and night."""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple
from xml.etree.ElementTree import Element

from service.reference.markup import element, number

WIDTH, HEIGHT = 360, 210
LEFT, RIGHT, TOP, BOTTOM = 42, 14, 20, 44
# A label narrower than this would touch its neighbour.
LABEL_WIDTH = 30
STEPS = (0.25, 0.5, 1, 2, 5, 10, 20, 50)
MOST_TICKS = 6
BAR_WIDTH, BAR_HEIGHT = 180, 14
Point = tuple[float, float]


class Axis(NamedTuple):
    """What an axis measures, and from where to where."""

    label: str
    low: float
    high: float


class _Frame(NamedTuple):
    x: Axis
    y: Axis

    def across(self, value: float) -> float:
        return LEFT + (value - self.x.low) / (self.x.high - self.x.low) * (WIDTH - LEFT - RIGHT)

    def up(self, value: float) -> float:
        return HEIGHT - BOTTOM - (value - self.y.low) / (self.y.high - self.y.low) * (HEIGHT - TOP - BOTTOM)

    def at(self, points: Sequence[Point]) -> str:
        return " ".join(f"{self.across(x):.1f},{self.up(y):.1f}" for x, y in points)


def line_plot(
    points: Sequence[Point],
    *,
    x: Axis,
    y: str,
    told: str,
    spread: Sequence[float] = (),
    dots: bool = True,
) -> Element:
    """Return a plot of straight lines through `points`, held flat to both ends of `x`.

    `y` names what is plotted; above 0 and below it are shaded apart. With `spread` (one each point) the band around
    the line is shaded instead. `dots` marks and labels the points. `told` says the same in words.
    """
    whole = [(x.low, points[0][1]), *points, (x.high, points[-1][1])]
    wide = [0.0, *spread, 0.0] if spread else [0.0] * len(whole)
    low = min(0.0, *(value - more for (_, value), more in zip(whole, wide, strict=True)))
    high = max(0.0, *(value + more for (_, value), more in zip(whole, wide, strict=True)))
    step = next((step for step in STEPS if (high - low) / step < MOST_TICKS), STEPS[-1])
    ticks = _ticks(low, high, step)
    frame = _Frame(x, Axis(y, ticks[0], ticks[-1]))
    parts = [*_scales(frame, ticks, [place for place, _ in points] if dots else _ticks_of(x))]
    parts += _band(frame, points, spread) if spread else _sides(frame, whole)
    parts.append(element("polyline", points=frame.at(whole), kind="line"))
    if dots:
        rising = points[-1][1] > points[0][1]
        parts += [part for point in points for part in _dot(frame, point, rising=rising)]
    return element(
        "figure",
        element("p", y, kind="chart-unit"),
        element(
            "svg",
            element("title", told),
            *parts,
            viewBox=f"0 0 {WIDTH} {HEIGHT}",
            role="img",
            kind="plot",
        ),
    )


def _ticks(low: float, high: float, step: float) -> list[float]:
    first = int(low // step)
    last = -int(-high // step)
    return [place * step for place in range(first, max(last, first + 1) + 1)]


def _ticks_of(axis: Axis) -> list[float]:
    step = next((step for step in STEPS if (axis.high - axis.low) / step < MOST_TICKS), STEPS[-1])
    return [tick for tick in _ticks(axis.low, axis.high, step) if axis.low <= tick <= axis.high]


def _scales(frame: _Frame, ticks: Sequence[float], places: Sequence[float]) -> list[Element]:
    right = WIDTH - RIGHT
    parts = []
    for tick in ticks:
        at = frame.up(tick)
        kind = "zero" if tick == 0 else "grid"
        parts.append(_line(LEFT, at, right, at, kind))
        parts.append(_text(LEFT - 6, at + 4, number(tick), "tick end"))
    shown = -LABEL_WIDTH * 1.0
    for place in places:
        at = frame.across(place)
        parts.append(_line(at, HEIGHT - BOTTOM, at, HEIGHT - BOTTOM + 4, "grid"))
        if at - shown >= LABEL_WIDTH:
            parts.append(_text(at, HEIGHT - BOTTOM + 17, number(place), "tick middle"))
            shown = at
    parts.append(_text(right, HEIGHT - 6, frame.x.label, "tick end"))
    return parts


def _sides(frame: _Frame, points: Sequence[Point]) -> list[Element]:
    """Shade what lies above 0 and what lies below it, each with its own ink."""
    crossed: list[Point] = [points[0]]
    for (x0, y0), (x1, y1) in pairwise(points):
        if y0 * y1 < 0:
            crossed.append((x0 + (x1 - x0) * y0 / (y0 - y1), 0.0))
        crossed.append((x1, y1))
    shaded = []
    for kind, kept in (("area", max), ("area closer", min)):
        edge = [(x, kept(y, 0.0)) for x, y in crossed]
        if any(y for _, y in edge):
            closed = [(edge[0][0], 0.0), *edge, (edge[-1][0], 0.0)]
            shaded.append(element("polygon", points=frame.at(closed), kind=kind))
    return shaded


def _band(frame: _Frame, points: Sequence[Point], spread: Sequence[float]) -> list[Element]:
    upper = [(x, y + more) for (x, y), more in zip(points, spread, strict=True)]
    lower = [(x, y - more) for (x, y), more in zip(points, spread, strict=True)]
    return [element("polygon", points=frame.at([*upper, *reversed(lower)]), kind="area")]


def _dot(frame: _Frame, point: Point, *, rising: bool) -> list[Element]:
    """Mark a point; its number stands on the side that the line leaves free."""
    across, up = frame.across(point[0]), frame.up(point[1])
    if not rising:
        told = _text(across + 6, up - 7, number(point[1]), "note")
    elif across - LEFT > LABEL_WIDTH:
        told = _text(across - 6, up - 7, number(point[1]), "note end")
    else:
        told = _text(across, up - 10, number(point[1]), "note")
    return [element("circle", cx=f"{across:.1f}", cy=f"{up:.1f}", r="4", kind="dot"), told]


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> Element:
    return element("line", x1=f"{x1:.1f}", y1=f"{y1:.1f}", x2=f"{x2:.1f}", y2=f"{y2:.1f}", kind=kind)


def _text(x: float, y: float, told: str, kind: str) -> Element:
    return element("text", told, x=f"{x:.1f}", y=f"{y:.1f}", kind=kind)


def bar(start: float, end: float, low: float, high: float, *, more: float | None = None) -> Element:
    """Return a bar from `start` to `end` on a line from `low` to `high`, to be drawn beside its number.

    Bars from 0 are inked by their side. `more` dashes the line on to there.
    """
    across = BAR_WIDTH / max(high - low, 1e-9)
    left, right = sorted((start, end))
    kind = "bar-closer" if end < 0 else "bar-away"
    parts = [_line((0.0 - low) * across, 0, (0.0 - low) * across, BAR_HEIGHT, "zero")]
    if more is not None and more > right:
        middle = BAR_HEIGHT / 2
        parts.append(_line((right - low) * across, middle, (more - low) * across, middle, "left"))
    if right > left:
        parts.append(
            element(
                "rect",
                x=f"{(left - low) * across:.1f}",
                y="2",
                width=f"{(right - left) * across:.1f}",
                height=f"{BAR_HEIGHT - 4}",
                kind=kind,
            )
        )
    return element(
        "svg", *parts, viewBox=f"-2 0 {BAR_WIDTH + 4} {BAR_HEIGHT}", aria_hidden="true", kind="effect-bar"
    )
