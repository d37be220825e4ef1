"""A review: by exercise and week, the reserve prescribed and the one done."""

from service.pictures.drawing import (
    EDGE,
    WIDTH,
    circle,
    line,
    lines,
    number,
    picture,
    text,
    words,
)
from service.rules.learning.review import ExerciseReview, Review

LEFT, RIGHT = 230, WIDTH - EDGE - 12
ROW_HEIGHT, MARGIN = 64, 12
HEAD_GAP = 18
TITLE_COLUMNS, TITLE_STEP = 48, 26
NAME_COLUMNS, NAME_STEP = 18, 17  # left of the numbers of the axis


def _compared(review: Review) -> dict[str, list[tuple[int, ExerciseReview]]]:
    """Place of the week and what was compared in it, by exercise in the order of their names."""
    found: dict[str, list[tuple[int, ExerciseReview]]] = {}
    for place, week in enumerate(review.weeks):
        for each in week.exercises:
            if each.compared_sets:
                found.setdefault(each.exercise, []).append((place, each))
    return dict(sorted(found.items()))


def _means(found: ExerciseReview) -> tuple[float, float]:
    """Mean reserve prescribed and done; both are there where sets were compared."""
    return found.prescribed_rir_mean or 0.0, found.done_rir_mean or 0.0


def _told(name: str, weeks: list[tuple[int, ExerciseReview]], review: Review) -> str:
    parts = []
    for place, found in weeks:
        asked, done = _means(found)
        starts_on = review.weeks[place].starts_on
        parts.append(f"week of {starts_on} prescribed {number(asked)}, done {number(done)}")
    return f"{words(name)}: {'; '.join(parts)}."


def _row(
    name: str, weeks: list[tuple[int, ExerciseReview]], top: float, most: float, step: float
) -> list[str]:
    floor, ceiling = top + ROW_HEIGHT - MARGIN, top + MARGIN
    sets = sum(found.compared_sets for _, found in weeks)
    called, below = lines(EDGE, top + 22, words(name), NAME_COLUMNS, NAME_STEP, "name")
    parts = [
        line(EDGE, top, WIDTH - EDGE, top, "grid"),
        *called,
        text(EDGE, below, f"{sets} {'set' if sets == 1 else 'sets'} compared", "quiet"),
        text(LEFT - 18, floor + 4, "0", "quiet end"),
        text(LEFT - 18, ceiling + 4, number(most), "quiet end"),
        line(LEFT - 12, floor, RIGHT + 12, floor, "grid"),
    ]
    for place, found in weeks:
        x = LEFT + step * place
        asked, done = (floor - (floor - ceiling) * value / most for value in _means(found))
        parts += [line(x, asked, x, done, "stem"), circle(x, asked, 5, "open"), circle(x, done, 4, "closer")]
    return parts


def draw_review(review: Review) -> str:
    """Return a review as SVG."""
    compared = _compared(review)
    title = f"Reps in reserve of {review.lifter_id}: prescribed and done"
    heading, below = lines(EDGE, 34, title, TITLE_COLUMNS, TITLE_STEP, "head")
    if not compared:
        told = "No set in these weeks had both a target and a known reserve."
        return picture(below + 30, title, told, [*heading, text(EDGE, below + 4, told)])
    most = max(1.0, *(max(_means(found)) for weeks in compared.values() for _, found in weeks))
    step = (RIGHT - LEFT) / max(len(review.weeks) - 1, 1)
    parts = [
        *heading,
        circle(EDGE + 6, below - 4, 5, "open"),
        text(EDGE + 18, below, "prescribed", "quiet"),
        circle(EDGE + 106, below - 4, 4, "closer"),
        text(EDGE + 116, below, "done, mean of the week", "quiet"),
    ]
    top = below + HEAD_GAP
    for row, (name, weeks) in enumerate(compared.items()):
        parts += _row(name, weeks, top + ROW_HEIGHT * row, most, step)
    bottom = top + ROW_HEIGHT * len(compared)
    parts += [line(EDGE, bottom, WIDTH - EDGE, bottom, "grid")]
    first, last = review.weeks[0].starts_on, review.weeks[-1].starts_on
    parts.append(text(LEFT, bottom + 18, f"week of {first}", "quiet"))
    if len(review.weeks) > 1:
        parts.append(text(RIGHT, bottom + 18, f"week of {last}", "quiet end"))
    description = " ".join(_told(name, weeks, review) for name, weeks in compared.items())
    return picture(bottom + 34, title, description, parts)
