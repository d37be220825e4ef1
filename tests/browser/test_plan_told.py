"""A plan: what its answer says stands on the page, cautions first, and every button of a row does what it says."""

import json
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Opened

MONDAY = "2027-01-04T18:00:00+01:00"
WEDNESDAY = "2027-01-06T18:00:00+01:00"
SCALE_REPS = 6  # what a whole bar of a set's reserve stands for


def sets(count: int, **members: Any) -> list[dict[str, Any]]:
    """Sets of ten at 70 %."""
    return [{"rep_target": 10, "load_percent_1rm": 70, "rest_seconds": 120, **members}] * count


def plan(*exercises: str, count: int = 2, starts_at: str = MONDAY, **members: Any) -> dict[str, Any]:
    """One session of these exercises."""
    done = [{"exercise": name, "sets": sets(count)} for name in exercises]
    return {**members, "sessions": [{"starts_at": starts_at, "exercises": done}]}


PRESSES = ("barbell_bench_press", "machine_chest_press", "cable_triceps_pushdown")


def use(page: Page, body: Any) -> Any:
    """Take a plan as JSON and return its answer as the page shows it."""
    entry = page.locator("#plan-json")
    if not entry.is_visible():
        page.get_by_text("The plan as JSON").click()
    entry.fill(json.dumps(body))
    page.get_by_role("button", name="Use this JSON").click()
    return shown(page)


def shown(page: Page) -> Any:
    """The answer, once it answers what is entered."""
    page.locator("#plan-answer[aria-busy=false]").wait_for()
    return json.loads(page.locator("#plan-parts [data-answer]").text_content() or "")


def entered(page: Page) -> Any:
    """The plan that was asked about."""
    page.locator("#plan-answer[aria-busy=false]").wait_for()
    return json.loads(page.locator("#plan-json").input_value())


def prescribed(answer: Any) -> list[Any]:
    """Every set of the answer."""
    return [each for session in answer["sessions"] for done in session["exercises"] for each in done["sets"]]


def test_warning_signs_withhold_every_target_of_a_plan_and_are_read_first(opened: Opened) -> None:
    """No set counts as prescribed, nobody pays for anything, and the caution says what to do."""
    page = opened().go("plan")
    body = plan("leg_press", lifter={"cautions": ["age_65_or_over", "warning_signs"]})
    [critical] = [
        each
        for each in prescribed(use(page, body))[0]["prescription"]["cautions"]
        if each["severity"] == "critical"
    ]
    expect(page.locator("#plan-told")).to_have_text("No target is given for 2 sets: read the cautions.")
    first = page.locator("#plan-parts li").first
    expect(first).to_have_text(f"Stop: {critical['text']}")
    expect(page.locator("#plan-parts")).not_to_contain_text("Who pays")


def test_cautions_stand_once_before_the_sheet_and_on_paper(opened: Opened) -> None:
    """However many sets they hold for: those of the lifter, and of a bar that can pin."""
    page = opened().go("plan")
    answer = use(page, plan("leg_press", "barbell_bench_press", lifter={"cautions": ["pregnancy"]}))
    wanted = {each["text"] for one in prescribed(answer) for each in one["prescription"]["cautions"]}
    assert len(wanted) == 3
    page.emulate_media(media="print")
    rows = page.get_by_role("list", name="Cautions").get_by_role("listitem")
    assert sorted(told.split(": ", 1)[1] for told in rows.all_inner_texts()) == sorted(wanted)
    assert page.locator("#plan-parts > :first-child").get_attribute("aria-label") == "Cautions"


def test_a_row_of_the_sheet_draws_its_range_and_says_what_to_expect(opened: Opened) -> None:
    """Stop line, bar and shade by the reserve; the reps of the model; the reasons below."""
    page = opened().go("plan")
    found = prescribed(use(page, plan(*PRESSES)))
    assert page.locator(".sheet tbody td:nth-child(5)").all_inner_texts() == [
        f"{round(each['predicted_reps'], 1):g}" for each in found
    ]
    drawn = page.locator(".gap-track").evaluate_all(
        """(all) => all.map((one) => [
          one.querySelector(".stop").getAttribute("x1"), one.querySelector(".bar").getAttribute("x2"),
          one.querySelector(".band").getAttribute("x"), one.querySelector(".band").getAttribute("width"),
        ].map(parseFloat))"""
    )
    for each, (stop, bar, left, width) in zip(found, drawn, strict=True):
        reserve = each["prescription"]["reps_in_reserve"]
        assert stop == bar == pytest.approx(100 * (1 - reserve["target"] / SCALE_REPS))
        assert left == pytest.approx(100 * (1 - reserve["high"] / SCALE_REPS))
        assert width == pytest.approx(100 * (reserve["high"] - reserve["low"]) / SCALE_REPS)
    page.get_by_text("Why these targets").first.click()
    for reason in found[0]["prescription"]["reasons"]:
        expect(page.locator("#plan-parts")).to_contain_text(reason["text"])


def test_who_pays_for_whom_and_the_weeks_are_told_as_answered(opened: Opened) -> None:
    """The later exercise pays; each scenario in its column; sets and failure of each muscle."""
    page = opened().go("plan")
    body = plan(*PRESSES)
    body["sessions"][0]["exercises"][0]["sets"] = [*sets(1, reps_in_reserve=0), *sets(1)]
    answer = use(page, body)
    names = [name.replace("_", " ").capitalize() for name in PRESSES]
    table = page.get_by_role("region", name="Reps that a later exercise loses")
    rows = {
        row.locator("th").inner_text(): row.locator("td").all_inner_texts()
        for row in table.locator("tbody tr").all()
    }
    pairs = answer["carryover"]["as_prescribed"]["paid_by"]
    assert len(rows) >= len(pairs) > 0
    for column, way in enumerate(("as_prescribed", "as_proposed", "all_to_failure")):
        for paid in answer["carryover"][way]["paid_by"]:
            payer, taker = (names[int(paid[end].rsplit("/", 1)[1])] for end in ("to", "from"))
            [cells] = [
                cells for head, cells in rows.items() if head.startswith(f"{payer} pays for {taker} (")
            ]
            assert float(cells[column]) == pytest.approx(paid["reps_lost"], abs=0.051)
    page.get_by_text("Sets and failure by muscle and week").click()
    shares = page.get_by_role("region", name="Sets counted by muscle share")
    assert {each["failure_share"] for each in answer["weeks"][0]["muscles"]} != {0}
    for each in answer["weeks"][0]["muscles"]:
        row = shares.get_by_role("row", name=each["muscle"].replace("_", " ").capitalize())
        share = int(100 * each["failure_share"] + 0.5)  # halves go up, as the page rounds
        expect(row).to_contain_text(f"{round(each['fractional_sets'], 2):g} sets, {share} % at failure")


def test_sets_to_leave_out_are_not_counted_as_prescribed(opened: Opened) -> None:
    """A deload week keeps them in their place, without a target."""
    page = opened().go("plan")
    answer = use(page, plan("leg_press", count=4, progression={"weeks": 4, "deload_weeks": [1]}))
    cut = [each["cut"] for each in prescribed(answer)].count(True)
    assert cut > 0
    expect(page.locator("#plan-told")).to_contain_text(f"{4 - cut} sets prescribed, {cut} sets to leave out")
    assert (
        page.locator(".sheet .cut").count() == page.locator(".sheet").get_by_text("leave out").count() == cut
    )
    page.get_by_text("The lifter, limits and progression").click()
    weeks = page.locator("#plan-form").get_by_label("Deload weeks", exact=True)
    assert weeks.input_value() == "1"
    weeks.fill("2, 4")
    assert entered(page)["progression"]["deload_weeks"] == [2, 4]


def test_what_was_moved_to_keep_limits_is_told(opened: Opened) -> None:
    """Each move with its set and its words."""
    page = opened().go("plan")
    body = plan("leg_extension", count=4, limits={"failure_sets_per_session": 0})
    for each in body["sessions"][0]["exercises"][0]["sets"]:
        each |= {"rep_target": 20, "load_percent_1rm": 50}
    answer = use(page, body)
    assert answer["allocation"]["moves"]
    for move in answer["allocation"]["moves"]:
        place = int(move["pointer"].rsplit("/", 1)[1]) + 1
        expect(page.locator("#plan-parts")).to_contain_text(f"Leg extension, set {place}: {move['text']}")


def test_a_session_is_repeated_a_week_after_itself(opened: Opened) -> None:
    """Not a week after the last one; once more, it comes the week after that."""
    page = opened().go("plan")
    body = plan("leg_press")
    body["sessions"] += plan("leg_extension", starts_at=WEDNESDAY)["sessions"]
    use(page, body)
    for _ in range(2):
        page.get_by_role("button", name="Repeat session 1 a week later").click()
        shown(page)
    found = entered(page)["sessions"]
    assert [each["starts_at"][:10] for each in found] == [
        "2027-01-04",
        "2027-01-06",
        "2027-01-11",
        "2027-01-18",
    ]
    assert {each["starts_at"][10:] for each in found} == {MONDAY[10:]}
    assert [each["exercises"][0]["exercise"] for each in found[2:]] == ["leg_press", "leg_press"]
    expect(page.locator("#plan-told")).to_contain_text("8 sets prescribed")


def test_rows_are_moved_and_removed_as_their_buttons_say(opened: Opened) -> None:
    """Down, up, a set in the middle."""
    page = opened().go("plan")
    body = plan(*PRESSES, count=3)
    body["sessions"][0]["exercises"][0]["sets"] = [{"rep_target": reps} for reps in (5, 6, 7)]
    use(page, body)

    def order() -> list[str]:
        return [each["exercise"] for each in entered(page)["sessions"][0]["exercises"]]

    page.get_by_role("button", name="Move Barbell bench press down").click()
    assert order() == [PRESSES[1], PRESSES[0], PRESSES[2]]
    page.get_by_role("button", name="Move Cable triceps pushdown up").click()
    assert order() == [PRESSES[1], PRESSES[2], PRESSES[0]]
    page.get_by_role("button", name="Remove set 2 of Barbell bench press").click()
    assert [each["rep_target"] for each in entered(page)["sessions"][0]["exercises"][2]["sets"]] == [5, 7]


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        "null",
        '{"sessions": [{}]}',
        '{"sessions": [null]}',
        '{"sessions": [{"exercises": [{"sets": ["a"]}]}]}',
    ],
)
def test_json_that_is_no_plan_is_told_at_its_field_and_changes_nothing(opened: Opened, text: str) -> None:
    """In words of the page, not of the engine that runs it; the rows go on as they were."""
    opening = opened()
    page = opening.go("plan")
    before = entered(page)
    page.get_by_text("The plan as JSON").click()
    page.locator("#plan-json").fill(text)
    page.get_by_role("button", name="Use this JSON").click()
    told = page.get_by_role("alert").filter(has_text="This is no plan in JSON")
    expect(told).to_be_visible()
    expect(told).not_to_contain_text("undefined")
    expect(page.locator("#plan-json")).to_have_attribute("aria-invalid", "true")
    page.get_by_role("button", name="Add a set of Barbell bench press").click()
    assert (
        len(prescribed(shown(page)))
        == sum(len(each["sets"]) for each in before["sessions"][0]["exercises"]) + 1
    )
    page.get_by_label("Start from an example").select_option(index=1)
    expect(told).to_have_count(0)
    expect(page.locator("#plan-json")).not_to_have_attribute("aria-invalid", "true")
    assert opening.wrong == []


def test_a_fault_that_no_control_can_show_says_where_it_is(opened: Opened) -> None:
    """An empty list, a member nobody knows; one in a fold opens it."""
    page = opened().go("plan")
    page.get_by_text("The plan as JSON").click()
    for body, told in (
        ({"sessions": []}, "sessions: must have 1 to 60 entries"),
        ({**plan("leg_press"), "colour": 1}, "colour: unknown member"),
        ({**plan("leg_press"), "lifter": "x"}, "must be an object"),
    ):
        page.locator("#plan-json").fill(json.dumps(body))
        page.get_by_role("button", name="Use this JSON").click()
        expect(page.locator("#plan-form .fault").filter(has_text=told)).to_be_visible()


@pytest.mark.parametrize("width", [320, 390, 794])
def test_no_word_of_a_plan_runs_over_its_neighbour(opened: Opened, width: int) -> None:
    """On phones, zoomed in as far as WCAG asks, and on paper."""
    page = opened(viewport={"width": width, "height": 800}).go("plan")
    page.emulate_media(media="print" if width == 794 else "screen")
    cells = page.locator("#plan-rows label, #plan-parts table :is(th, td)")
    over = """(all) => all
      .filter((one) => one.clientWidth > 1 && one.scrollWidth > one.clientWidth)
      .map((one) => one.innerText)"""
    assert cells.evaluate_all(over) == []
