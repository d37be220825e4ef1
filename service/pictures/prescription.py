"""One prescription: the reasons as a way whose last step lands on the target.

The set runs from left to right towards the wall, failure; a step to the left keeps further away from it.
"""

from collections.abc import Sequence
from itertools import accumulate
from math import ceil, floor
from typing import NamedTuple

from service.pictures.drawing import (
    EDGE,
    WALL,
    WIDTH,
    circle,
    line,
    lines,
    number,
    picture,
    polygon,
    rect,
    signed,
    text,
    words,
)
from service.rules.answer import BriefPrescription, CautionNote, Prescription, Reason, ReserveRange

TRACK_LEFT, TRACK_RIGHT = 440, WIDTH - EDGE - WALL
EFFECT_RIGHT = 424
TEXT_COLUMNS, SEVERE_COLUMNS, QUIET_COLUMNS = 52, 78, 104
LINE_STEP = 18
CELLS_BEYOND = 2  # repetitions done that are shown before the end of the set
STRIP_HEIGHT = 34
SEVERITIES = {"critical": "Stop", "warning": "Take care", "info": "Note"}  # worst first


class _Scale(NamedTuple):
    """Where a reserve [repetitions] lies on the track: `shown` at its left end, `beyond` (0 or less) at its right."""

    shown: int
    beyond: int

    def at(self, reserve: float) -> float:
        share = (self.shown - reserve) / (self.shown - self.beyond)
        return round(TRACK_LEFT + (TRACK_RIGHT - TRACK_LEFT) * share, 2)


def _range_told(found: ReserveRange) -> str:
    low, high = number(found.low), number(found.high)
    return low if low == high else f"{low} to {high}"


def title_of(answer: Prescription | BriefPrescription) -> str:
    """Return the whole target in one sentence."""
    found = answer.reps_in_reserve
    if found is None:
        return "No target is given. Read the cautions."
    rpe = None if answer.rpe is None else answer.rpe.target
    felt = "" if rpe is None else f", RPE {number(rpe)}"
    unit = "rep" if found.target == 1 else "reps"
    return f"Leave {number(found.target)} {unit} in reserve ({_range_told(found)}{felt})"


def _worst_first(cautions: Sequence[CautionNote]) -> list[CautionNote]:
    return sorted(cautions, key=lambda each: list(SEVERITIES).index(each.severity))


def _description(answer: Prescription | BriefPrescription) -> str:
    reasons = [f"{signed(each.effect_reps)} {words(each.factor)}: {each.text}" for each in answer.reasons]
    total = "" if answer.reps_in_reserve is None else f"Target: {number(answer.reps_in_reserve.target)}."
    return " ".join([*(each.text for each in _worst_first(answer.cautions)), *reasons, total]).strip()


def _cautions(cautions: list[CautionNote], y: float) -> tuple[list[str], float]:
    parts: list[str] = []
    for caution in cautions:
        kind, columns = ("quiet", QUIET_COLUMNS) if caution.severity == "info" else ("name", SEVERE_COLUMNS)
        told = f"{SEVERITIES[caution.severity]}: {caution.text}"
        rows, y = lines(EDGE, y, told, columns, LINE_STEP, kind)
        parts += rows
    return parts, y


def _step(scale: _Scale, start: float, end: float, y: float) -> list[str]:
    if start == end:
        return [circle(scale.at(end), y, 5, "ink")]
    kind, way = ("away", 1) if end > start else ("closer", -1)
    tip, tail = scale.at(end), scale.at(start)
    base = tip + way * min(9, abs(tail - tip))
    bar = rect(min(base, tail), y - 3.5, abs(tail - base), 7, kind)
    return [bar, polygon([(tip, y), (base, y - 8), (base, y + 8)], kind)]


def _row(reason: Reason, scale: _Scale, start: float, end: float, top: float) -> tuple[list[str], float]:
    rows, below = lines(EDGE, top + 40, reason.text, TEXT_COLUMNS, LINE_STEP)
    bottom = below - 4
    middle = (top + bottom) / 2
    parts = [
        line(EDGE, top, WIDTH - EDGE, top, "grid"),
        text(EDGE, top + 21, words(reason.factor), "name"),
        text(EFFECT_RIGHT, top + 21, signed(reason.effect_reps), "name end"),
        *rows,
        line(scale.at(start), top, scale.at(start), middle, "stem") if start else "",
        line(scale.at(end), middle, scale.at(end), bottom, "stem"),
        *_step(scale, start, end, middle),
    ]
    return parts, bottom


def _strip(scale: _Scale, target: float, rep_target: int, y: float) -> list[str]:
    """Repetitions done as full cells, those left before the wall as empty ones."""
    parts = []
    for left in range(ceil(target)):
        wide = min(1.0, target - left)
        parts.append(
            rect(scale.at(left + wide), y, scale.at(left) - scale.at(left + wide), STRIP_HEIGHT, "left")
        )
    for back in range(min(rep_target, ceil(scale.shown - target))):
        near, far = target + back, min(target + back + 1, scale.shown)
        parts.append(rect(scale.at(far), y, scale.at(near) - scale.at(far), STRIP_HEIGHT, "done"))
        if far - near == 1:
            told = str(rep_target - back)
            parts.append(text((scale.at(far) + scale.at(near)) / 2, y + 22, told, "count middle"))
    return parts


def _total(answer: Prescription | BriefPrescription, scale: _Scale, rep_target: int, y: float) -> list[str]:
    found = answer.reps_in_reserve
    if found is None:
        return []
    moving = [each.effect_reps for each in answer.reasons if each.effect_reps]
    signs = ["", *("+ " if effect > 0 else "\N{MINUS SIGN} " for effect in moving[1:])]
    told = " ".join(
        f"{sign}{number(abs(effect) if sign else effect)}"
        for sign, effect in zip(signs, moving, strict=False)
    )
    end = scale.at(found.target)
    return [
        line(EDGE, y, WIDTH - EDGE, y, "rule"),
        text(EDGE, y + 24, "Target", "name"),
        text(EFFECT_RIGHT, y + 26, number(found.target), "head end"),
        text(EDGE, y + 44, f"{told} = {number(found.target)}"),
        *_strip(scale, found.target, rep_target, y + 14),
        line(end, y, end, y + 14 + STRIP_HEIGHT + 6, "rule"),
        *(text(scale.at(left), y + 72, str(left), "middle") for left in range(scale.shown)),
        text(TRACK_RIGHT, y + 90, "reps left before failure, the wall", "quiet end"),
    ]


def _ground(scale: _Scale, found: ReserveRange, top: float, bottom: float) -> list[str]:
    width = scale.at(found.low) - scale.at(found.high)
    return [
        rect(scale.at(found.high), top, width, bottom - top, "band"),
        *(line(scale.at(left), top, scale.at(left), bottom, "grid") for left in range(1, scale.shown)),
        rect(scale.at(0), top, WALL, bottom - top, "ink"),
    ]


def draw_prescription(answer: Prescription | BriefPrescription, *, rep_target: int) -> str:
    """Return a prescription of `rep_target` [repetitions] as SVG."""
    heading, found = title_of(answer), answer.reps_in_reserve
    severe = [each for each in _worst_first(answer.cautions) if each.severity != "info"]
    mild = [each for each in answer.cautions if each.severity == "info"]
    first, y = _cautions(severe, 34)
    y += 14 if severe else 6
    parts = [*first, text(EDGE, y, heading, "head")]
    y += 26
    if found is None:
        for reason in answer.reasons:
            rows, y = lines(EDGE, y, reason.text, SEVERE_COLUMNS, LINE_STEP)
            parts += rows
        return picture(y + 20, heading, _description(answer), parts)
    sums = list(accumulate(each.effect_reps for each in answer.reasons))
    # A way may lead through the wall and be brought back.
    scale = _Scale(ceil(max(1.0, found.high, *sums)) + CELLS_BEYOND, floor(min(0.0, *sums)))
    parts += [
        text(TRACK_LEFT, y, "\N{BLACK LEFT-POINTING TRIANGLE} further from failure", "quiet"),
        text(TRACK_RIGHT, y, "closer \N{BLACK RIGHT-POINTING TRIANGLE}", "quiet end"),
    ]
    top = y = y + 8
    walked: list[str] = []
    for reason, start, end in zip(answer.reasons, [0.0, *sums], sums, strict=False):
        row, y = _row(reason, scale, start, end, y)
        walked += row
    total = _total(answer, scale, rep_target, y)
    last, bottom = _cautions(mild, y + 118)
    parts += [*_ground(scale, found, top, y + 58), *walked, *total, *last]
    parts.append(text(EDGE, bottom + 4, f"Numbers of {answer.policy.version}", "quiet"))
    return picture(bottom + 20, heading, _description(answer), parts)
