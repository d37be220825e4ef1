"""Pictures as a browser draws them: no text is cut off, none lies over another, at the ends of what can be asked."""

from typing import Any

import httpx
import pytest
from playwright.sync_api import Page

from tests.browser.asking import ask
from tests.browser.conftest import Opened

CAUTIONS = [
    "first_session", "under_18", "age_65_or_over", "pregnancy", "hypertension_not_controlled",
    "heart_or_vessel_condition", "recent_injury_or_surgery",
]  # fmt: skip
CONTEXTS: tuple[dict[str, Any], ...] = (
    {"rep_target": 1, "load_percent_1rm": 100, "exercise": "barbell_back_squat", "cautions": [*CAUTIONS]},
    {"rep_target": 50, "load_percent_1rm": 1, "exercise": "leg_extension", "plan_shift_reps": -5},
    {"rep_target": 8, "exercise": "barbell_bench_press", "cautions": [*CAUTIONS, "warning_signs"]},
    {"rep_target": 15, "load_percent_1rm": 60, "exercise": "leg_extension", "experience": "advanced",
     "exercise_order": 5, "exercises_in_session": 5, "set_order": 3, "sets_in_exercise": 3, "exposures": 40},
)  # fmt: skip
LONGEST_NAMES = ("dumbbell_overhead_triceps_extension", "cable_overhead_triceps_extension", "leg_press")
# What is wrong with the texts of a picture: beyond its edge, or over another text or a dot by more than a hair.
WRONG = """() => {
  const picture = document.querySelector("svg").getBoundingClientRect();
  const marks = [...document.querySelectorAll("text, circle")];
  const boxes = marks.map((mark) => [mark.textContent, mark.getBoundingClientRect()]);
  const outside = (box) => box.left < picture.left || box.right > picture.right || box.bottom > picture.bottom;
  const meet = (one, two) => one.left < two.right - 1 && two.left < one.right - 1
    && one.top < two.bottom - 4 && two.top < one.bottom - 4;
  return boxes.filter(([text]) => text).flatMap(([text, box]) => [
    ...(outside(box) ? [text] : []),
    ...boxes.filter(([, other]) => other !== box && meet(box, other)).map(([other]) => `${text} | ${other}`),
  ]);
}"""


def drawn(page: Page, demo: tuple[str, str], path: str, body: Any = None) -> Page:
    """Show a picture of the service by itself."""
    base, key = demo
    headers = {"authorization": f"Bearer {key}", "accept": "image/svg+xml"}
    answer = httpx.request("GET" if body is None else "POST", base + path, headers=headers, json=body)
    assert answer.status_code == 200
    page.set_content(f'<body style="margin: 0">{answer.text}')
    return page


@pytest.mark.parametrize("context", CONTEXTS)
def test_a_prescription_is_drawn_with_every_text_in_its_place(
    opened: Opened, demo: tuple[str, str], context: dict[str, Any]
) -> None:
    """All cautions, the lightest and the heaviest load, sixteenths."""
    assert drawn(opened().page, demo, "/v1/prescriptions", context).evaluate(WRONG) == []


def test_a_review_is_drawn_with_every_text_in_its_place(opened: Opened, demo: tuple[str, str]) -> None:
    """The longest names of exercises and of a lifter."""
    lifter = "w" * 64
    page = opened().page
    _, known = ask(demo, "/v1/lifters/otter-7/state")
    at = max(each["last_performed_at"] for each in known["exercises"])  # recent, whenever this is run
    done = {"performed_at": at, "load_kg": 20, "reps": 8, "set_endpoint": "planned_stop"}
    sets = [
        {**done, "exercise": name, "prescribed_rir": prescribed, "reported_rir": 1}
        for name in LONGEST_NAMES
        for prescribed in (3, 3, 3.5)
    ]
    assert ask(demo, f"/v1/lifters/{lifter}/sets", {"sets": sets})[0] == 201
    for weeks in (1, 12):
        assert drawn(page, demo, f"/v1/lifters/{lifter}/review?weeks={weeks}").evaluate(WRONG) == []
