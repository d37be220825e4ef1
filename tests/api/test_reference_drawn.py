"""What the reference draws is what the data says, and nothing in the data is ever read as markup."""

import hashlib
from collections.abc import Iterable
from functools import cache
from itertools import product
from typing import Any
from xml.etree.ElementTree import Element

import msgspec
import pytest

from service.policy.catalogue import load_policies
from service.policy.plan_basis import load_plan_basis
from service.reference.bounds import caution_parts, floor_parts
from service.reference.curves import capacity_parts
from service.reference.evidence_pages import evidence_page
from service.reference.factor import factor_parts
from service.reference.interactive import vendored_assets
from service.reference.levels import _boxes_by_level, described
from service.reference.plots import Axis, line_plot
from service.reference.policy_pages import policy_page, section_page
from service.reference.sections import Section, all_sections
from service.rules.curves import Curve, Grid, Table
from service.rules.policy import Factor
from tests.api.crawl import Read

POLICIES = load_policies()
FACTORS = [(policy.data, factor) for policy in POLICIES.versions for factor in policy.data.factors]
MINUS = "\N{MINUS SIGN}"
BUNDLE_SHA256 = "e6a898692f2d768e807c3ba4626068a69a2c5dd960dd6c76f3e4d3a3de180af2"
HOSTILE = "<script>alert(1)</script>\"'&<b onload=x>"


def of_shape(shape: type[Any]) -> list[Any]:
    """Every factor of this shape, named by policy and factor."""
    return [
        pytest.param(factor, id=f"{data.version}-{factor.name}")
        for data, factor in FACTORS
        if isinstance(factor.shape, shape)
    ]


def shown_number(value: float) -> str:
    """A number as a reader expects it: no zeros at the end, a true minus sign."""
    return repr(round(value, 4)).removesuffix(".0").replace("-", MINUS)


@pytest.mark.parametrize(
    ("data", "factor"), [pytest.param(d, f, id=f"{d.version}-{f.name}") for d, f in FACTORS]
)
def test_the_page_of_a_factor_tells_all_of_it(data: Any, factor: Factor) -> None:
    """Title, unit, inputs, every effect, every text's words, grade, basis and sources; on the policy's page as well."""
    read = Read(section_page(data, factor.name).content.decode())
    whole = Read(policy_page(data).content.decode())
    shape = factor.shape
    if isinstance(shape, Table):
        effects, texts = zip(*((v.effect_reps, v.text) for v in shape.levels.values()), strict=True)
    else:
        values = shape.ys if isinstance(shape, Curve) else [v for line in shape.values for v in line]
        effects, texts = tuple(values), tuple(band.text for band in shape.texts)
    wanted = [factor.title, factor.unit, factor.source.basis, *factor.inputs]
    wanted += [shown_number(effect) for effect in effects]
    wanted += [piece for text in texts for piece in text.replace("}", "{").split("{")[::2]]
    for told in wanted:
        assert told in read.text
        assert told in whole.text
    assert {f"/evidence/{key}" for key in factor.source.evidence} <= set(read.links)
    assert f"/policies/{data.version}/{factor.name}" in whole.links


@pytest.mark.parametrize("factor", of_shape(Curve))
def test_a_curve_is_drawn_where_its_points_are(factor: Factor) -> None:
    """Read back by the labels of the axes, as a person does: each dot is its point, each end is held flat."""
    [plot] = [part for part in _svg(factor) if part.tag == "svg"]
    x_of, y_of = _scale(plot, "tick middle", "x"), _scale(plot, "tick end", "y")
    dots = [(x_of(float(d.get("cx", ""))), y_of(float(d.get("cy", "")))) for d in plot.iter("circle")]
    assert isinstance(factor.shape, Curve)
    reach = (factor.shape.xs[-1] - factor.shape.xs[0]) / 100
    for (x, y), (found_x, found_y) in zip(
        zip(factor.shape.xs, factor.shape.ys, strict=True), dots, strict=True
    ):
        assert found_x == pytest.approx(x, abs=reach)
        assert found_y == pytest.approx(y, abs=0.01)
    within(plot)
    [line] = plot.iter("polyline")
    ends = [float(point.split(",")[1]) for point in (line.get("points") or "").split()]
    assert ends[0] == ends[1]
    assert ends[-1] == ends[-2]


def within(plot: Element) -> None:
    """Nothing of a plot lies outside it."""
    left, top, wide, high = map(float, (plot.get("viewBox") or "").split())
    points = [point.split(",") for shape in plot.iter() for point in (shape.get("points") or "").split()]
    across = [float(shape.get(name, "0")) for shape in plot.iter() for name in ("x", "x1", "x2", "cx")]
    up = [float(shape.get(name, "0")) for shape in plot.iter() for name in ("y", "y1", "y2", "cy")]
    assert all(left <= each <= left + wide for each in [*across, *(float(x) for x, _ in points)])
    assert all(top <= each <= top + high for each in [*up, *(float(y) for _, y in points)])


def test_repetitions_are_drawn_and_told_for_every_load_of_the_curve() -> None:
    """From where it begins to extrapolate to the whole 1RM, which goes up once; the line as the table says."""
    capacity = POLICIES.newest.data.capacity
    parts = list(capacity_parts(capacity))
    rows = [[cell.text or "" for cell in row] for row in parts[2].iter("tr")][1:]
    loads = [float(load) for load, _, _ in rows]
    assert loads == list(range(int(capacity.extrapolates_below_percent), 101, 10))
    assert rows[-1][:2] == ["100", "1.0"]
    [plot] = parts[1].iter("svg")
    within(plot)
    [line] = plot.iter("polyline")
    x_of, y_of = _scale(plot, "tick middle", "x"), _scale(plot, "tick end", "y")
    points = [tuple(map(float, point.split(","))) for point in (line.get("points") or "").split()]
    drawn = {round(x_of(x)): y_of(y) for x, y in points}
    assert [drawn[round(load)] for load in loads] == [
        pytest.approx(float(mean), abs=0.3) for _, mean, _ in rows
    ]


def test_each_caution_and_floor_is_told_in_a_row_of_its_own() -> None:
    """What it does to a target, how severe it is, how many reps it keeps."""
    data = POLICIES.newest.data

    def rows(parts: Iterable[Element]) -> list[tuple[str, ...]]:
        found = (row for part in parts for row in part.iter("tr"))
        return [tuple("".join(cell.itertext()) for cell in row) for row in found][1:]

    cautions = {(row[0], row[1], row[-1]) for row in rows(caution_parts(data))}
    assert cautions == {
        (each.code, each.severity, "withheld" if each.code == "warning_signs" else "given")
        for each in data.cautions
    }
    floors = [(row[0].partition(",")[0], row[1]) for row in rows(floor_parts(data.limits))]
    assert floors == [(each.code, shown_number(each.reps)) for each in data.limits.floors]


@cache
def sections() -> tuple[Section, ...]:
    """All that rests on sources."""
    return all_sections(POLICIES.newest.data, load_plan_basis(POLICIES.newest))


def test_a_number_beside_its_source_is_told_with_nothing_else() -> None:
    """Not the whole data that it stands in."""
    [told] = [each for each in sections() if each.address == "/numbers/plans#failure"]
    assert "".join(told.parts[0].itertext()).strip() == "failure below reps: 0.5"


@pytest.mark.parametrize("key", sorted(POLICIES.newest.data.evidence))
def test_a_source_leads_to_what_rests_on_it_and_to_nothing_else(key: str) -> None:
    """Factors by their own sources and those of their levels, floors with what they say."""
    data = POLICIES.newest.data
    read = Read(evidence_page(data.evidence[key], sections()).content.decode())
    resting, said = set(), []
    for factor in data.factors:
        levels = factor.shape.levels.values() if isinstance(factor.shape, Table) else ()
        own = [level.text for level in levels if level.evidence is not None and key in level.evidence]
        inherited = (
            [level.text for level in levels if level.evidence is None]
            if levels
            else [band.text for band in getattr(factor.shape, "texts", ())]
        )
        said += own + (inherited if key in factor.source.evidence else [])
        if own or key in factor.source.evidence:
            resting.add(factor.name)
    said += [floor.text for floor in data.limits.floors if key in floor.source.evidence]
    names = {factor.name for factor in data.factors}
    linked = {link.rpartition("/")[2] for link in read.links if link.startswith(f"/policies/{data.version}/")}
    assert linked & names == resting
    for piece in (piece for text in said for piece in text.replace("}", "{").split("{")[::2]):
        assert piece in read.text


def _svg(factor: Factor) -> list[Element]:
    return [inner for part in factor_parts(factor, "") if part.tag == "figure" for inner in part]


def _scale(plot: Element, kind: str, place: str) -> Any:
    """Return what a place on the picture means, from the first and last labelled tick."""
    marks = [mark for mark in plot.iter("text") if mark.get("class") == kind]
    read = []
    for mark in marks:
        try:
            read.append((float(mark.get(place, "")), float((mark.text or "").replace(MINUS, "-"))))
        except ValueError:  # the name of the axis
            continue
    (p0, v0), (p1, v1) = read[0], read[-1]
    middle = 4 if place == "y" else 0  # a number stands a little below its line
    return lambda at: v0 + (at + middle - p0) * (v1 - v0) / (p1 - p0)


def test_what_is_below_zero_is_shaded_apart() -> None:
    """A line that crosses zero is cut where it does: (1, 1) to (3, -1) crosses at 2."""
    plot = line_plot([(1.0, 1.0), (3.0, -1.0)], x=Axis("x", 1.0, 3.0), y="y", told="t")
    areas = {shape.get("class"): shape.get("points", "") for shape in plot.iter("polygon")}
    assert set(areas) == {"area", "area closer"}
    [upper, lower] = [{point.split(",")[0] for point in areas[kind].split()} for kind in sorted(areas)]
    edges = sorted(float(place) for place in upper & lower)
    assert edges[1] == pytest.approx((edges[0] + edges[-1]) / 2, abs=0.1)


@pytest.mark.parametrize("factor", of_shape(Table))
def test_rows_of_a_table_cover_every_combination_once(factor: Factor) -> None:
    """The boxes of a level, multiplied out, are its keys: none lost, none twice."""
    assert isinstance(factor.shape, Table)
    spread = [
        (key, level)
        for level, boxes in _boxes_by_level(factor.shape).items()
        for box in boxes
        for key in product(*box)
    ]
    assert len(spread) == len(factor.shape.levels)
    assert dict(spread) == factor.shape.levels
    told = described(factor.shape, factor.inputs)
    assert len(told) <= len(factor.shape.levels)
    assert {level for _, level in told} == set(factor.shape.levels.values())


@pytest.mark.parametrize("factor", of_shape(Grid))
def test_a_grid_is_shaded_by_its_effects(factor: Factor) -> None:
    """More effect is never lighter; least and most are told apart."""
    data = next(data for data, each in FACTORS if each is factor)
    page = section_page(data, factor.name).content.decode()
    shades = [int(piece[0]) for piece in page.split('class="shade-')[1:]]
    assert isinstance(factor.shape, Grid)
    effects = [value for line in factor.shape.values for value in line]
    assert len(shades) == len(effects)
    by_effect = [shade for _, shade in sorted(zip(effects, shades, strict=True))]
    assert by_effect == sorted(by_effect)
    assert (by_effect[0], by_effect[-1]) == (0, 5)  # inks that the stylesheet has


def test_text_is_never_read_as_markup() -> None:
    """Whatever stands in the data comes out as the same text, and no tag more."""
    plain = next(iter(POLICIES.newest.data.evidence.values()))
    told = msgspec.structs.replace(plain, finding=HOSTILE, citation=HOSTILE, limits=HOSTILE, doi='"><b>')
    safe, found = (Read(evidence_page(entry, ()).content.decode()) for entry in (plain, told))
    assert found.text.count(HOSTILE) == 3
    assert [tag for tag in found.tags if tag in {"script", "b"}] == [
        tag for tag in safe.tags if tag in {"script", "b"}
    ]
    assert found.inline == []
    assert found.outside[0]["href"] == 'https://doi.org/"><b>'


def test_swagger_ui_is_the_published_one_and_its_licences_come_along() -> None:
    """The bundle of swagger-ui-dist 5.35.0, byte for byte; only the stylesheet lost the link to its map."""
    assets = vendored_assets()
    bundle = assets["swagger-ui-bundle.js"].content
    assert hashlib.sha256(bundle).hexdigest() == BUNDLE_SHA256
    assert not [name for name, asset in assets.items() if b"sourceMappingURL" in asset.content]
    assert b"Apache License" in assets["LICENSE"].content
    assert {"NOTICE", "swagger-ui-bundle.js.LICENSE.txt", "swagger-ui.css"} <= set(assets)
