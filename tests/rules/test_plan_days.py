"""A pressing day, a leg day and a full-body day as in the examples: what failure early costs, and what order does.

That the examples' answers are what the code says is tested with the document (tests/contract).
"""

import json
from math import fsum
from typing import Any, NamedTuple

import pytest

from service.rules.carryover.predict import predict
from service.rules.plans.answer import PrescribedPlan
from tests.rules.contexts import Document
from tests.rules.whole_plans import (
    BASIS,
    EAGER,
    EXAMPLES,
    answer,
    factors,
    paid,
    placed,
    planned,
    session,
    sets_of,
    settled,
    target,
)

LATER, ORDER = "later_overlapping_sets", "exercise_order"
HELD = ("rounding", "discount_limit", "rep_band_window")  # what holds the sum in bounds, not what order does


class Day(NamedTuple):
    """An example by name; the first, multi-joint exercises, those that pay for them, and the last isolation lifts."""

    name: str
    early: tuple[int, ...]
    paying: tuple[int, ...]
    last: tuple[int, ...]


PRESSING = Day("pressing-day", (0, 1), (2, 4, 5), (3, 5))
LEGS = Day("leg-day", (0, 1), (2, 3), (2, 4))
FULL_BODY = Day("full-body-day", (0, 1, 2), (3, 4), (3, 4))
DAYS = pytest.mark.parametrize("day", [PRESSING, LEGS, FULL_BODY], ids=lambda day: day.name)


def example(day: Day) -> Document:
    """Return the example without the reserves it proposes."""
    found: Document = json.loads(
        (EXAMPLES / f"createPlanPrescription.{day.name}.request.json").read_text("utf-8")
    )
    for each in found["sessions"][0]["exercises"]:
        for one in each["sets"]:
            one.pop("reps_in_reserve", None)
    return found


def with_sets(document: Document, places: tuple[int, ...], **members: Any) -> Document:
    """Return the plan with members of every set of these exercises replaced."""
    (day,) = document["sessions"]
    exercises = [
        {**each, "sets": [{**one, **members} for one in each["sets"]]} if place in places else each
        for place, each in enumerate(day["exercises"])
    ]
    return {**document, "sessions": [{**day, "exercises": exercises}]}


def swapped(document: Document, one: int, other: int) -> Document:
    """Return the plan with two exercises in each other's place."""
    (day,) = document["sessions"]
    exercises = list(day["exercises"])
    exercises[one], exercises[other] = exercises[other], exercises[one]
    return {**document, "sessions": [{**day, "exercises": exercises}]}


def costs(told: dict[tuple[int, int], float], by: tuple[int, ...], to: int) -> float:
    """Return what one exercise loses to those [repetitions]."""
    return fsum(lost for (source, payer), lost in told.items() if source in by and payer == to)


def completed(document: Document, place: int) -> float:
    """Return what an exercise completes with the proposed reserves, else as prescribed [repetitions]."""
    found = settled(document)
    done = predict(planned(found, lambda stand: stand.reserve_reps), BASIS.carryover)
    return fsum(
        one.predicted_reps
        for trained, one in zip(found.trained, done, strict=True)
        if trained.stand.slot.exercise_at == place
    )


@DAYS
def test_everything_to_failure_costs_later_work_more_than_the_targets_do(day: Day) -> None:
    """Each later exercise that works the muscles of the first ones loses more to them, by half a repetition or more."""
    found = answer(example(day)).carryover
    targets, failure = paid(found.as_prescribed), paid(found.all_to_failure)
    for place in day.paying:
        assert costs(failure, day.early, place) >= costs(targets, day.early, place) + 0.5


def test_pressing_to_failure_first_costs_the_later_chest_and_triceps_work() -> None:
    """Only the two presses go to failure, the rest is as prescribed: the fly pays most, both triceps lifts pay too."""
    document = example(PRESSING)
    found = answer(with_sets(document, PRESSING.early, reps_in_reserve=0)).carryover
    assert found.as_proposed is not None
    as_targets, at_failure = paid(found.as_prescribed), paid(found.as_proposed)
    fly, pushdown, extension = (
        costs(at_failure, PRESSING.early, place) - costs(as_targets, PRESSING.early, place)
        for place in PRESSING.paying
    )
    assert fly > 5
    assert 0 < pushdown < extension < fly
    assert found.as_proposed.total_reps < found.as_prescribed.total_reps - 5
    for place in PRESSING.paying[::2]:
        failed = with_sets(document, PRESSING.early, reps_in_reserve=0)
        assert completed(failed, place) < completed(document, place)


@pytest.mark.parametrize(("day", "loads"), [(LEGS, (87, 82)), (FULL_BODY, (76, 74, 74))])
def test_where_loads_are_heavy_enough_to_fail_the_first_lifts_cost_the_later_ones(
    day: Day, loads: tuple[float, ...]
) -> None:
    """As in the examples, with loads at which the rep target is about all there is: at failure later lifts lose more.

    With the examples' own loads the first sets end at their rep target, whatever is proposed, so nothing changes.
    """
    document = example(day)
    for place, load in zip(day.early, loads, strict=True):
        document = with_sets(document, (place,), load_percent_1rm=load)
    document = with_sets(document, day.paying, load_percent_1rm=70)
    found = answer(with_sets(document, day.early, reps_in_reserve=0)).carryover
    assert found.as_proposed is not None
    as_targets, at_failure = paid(found.as_prescribed), paid(found.as_proposed)
    for place in day.paying:
        assert costs(at_failure, day.early, place) > costs(as_targets, day.early, place) + 0.1


@DAYS
def test_failure_on_the_last_isolation_lifts_costs_nothing_later(day: Day) -> None:
    """Nothing after them works their muscles: nobody pays for them, and all others complete what they did."""
    document = example(day)
    closer = with_sets(document, day.last, reps_in_reserve=0)
    found = answer(closer).carryover
    assert found.as_proposed is not None
    for scenario in (found.as_prescribed, found.as_proposed, found.all_to_failure):
        assert not [pair for pair in paid(scenario) if pair[0] in day.last]
    for place in range(len(document["sessions"][0]["exercises"])):
        if place not in day.last:
            assert completed(closer, place) == completed(document, place)
        else:
            assert completed(closer, place) >= completed(document, place)
    assert found.as_proposed.total_reps >= found.as_prescribed.total_reps


@DAYS
def test_the_later_an_exercise_the_less_its_muscles_are_paid_for(day: Day) -> None:
    """What an exercise costs flows only to later ones."""
    found = answer(with_sets(example(day), day.early, reps_in_reserve=0)).carryover
    for scenario in (found.as_prescribed, found.as_proposed, found.all_to_failure):
        assert scenario is not None
        assert all(source < payer for source, payer in paid(scenario))


def told(found: PrescribedPlan, place: int) -> tuple[list[float], list[dict[str, float]]]:
    """Return targets of an exercise's sets, and what each factor adds but what holds the sum in bounds."""
    sets = [one for (_, at, _), one in placed(found).items() if at == place]
    return [target(one) for one in sets], [
        {name: effect for name, effect in factors(one).items() if name not in HELD} for one in sets
    ]


def moved(document: Document, one: int, other: int) -> list[tuple[list[float], list[float], set[str]]]:
    """Swap two exercises; of each return targets before and after, and the names of the factors that differ."""
    before, after = answer(document), answer(swapped(document, one, other))
    answers = []
    for old, new in ((one, other), (other, one)):
        targets, effects = told(before, old)
        new_targets, new_effects = told(after, new)
        differ = {
            name
            for first, second in zip(effects, new_effects, strict=True)
            for name in first.keys() | second.keys()
            if first.get(name) != second.get(name)
        }
        answers.append((targets, new_targets, differ))
    unmoved = set(range(len(document["sessions"][0]["exercises"]))) - {one, other}
    for place in unmoved:  # others have as much to come, or more or less: nothing else may differ
        for first, second in zip(told(before, place)[1], told(after, place)[1], strict=True):
            assert {name for name, _ in first.items() ^ second.items()} <= {LATER}
    return answers


def test_on_a_pressing_day_the_fly_before_the_press_keeps_more_and_the_press_less() -> None:
    """Both in the middle third: only what is still to come for the chest differs."""
    press, fly = moved(example(PRESSING), 1, 2)
    assert press == ([2.0, 1.5], [2.0, 1.0], {LATER})
    assert fly == ([0.5, 0.0], [1.0, 0.5], {LATER})


def test_on_a_pressing_day_the_press_at_the_end_comes_closer_and_the_extension_at_the_start_keeps_more() -> (
    None
):
    """Late in the session half a rep comes off, and less is to come; for the extension the reverse."""
    press, extension = moved(example(PRESSING), 0, 5)
    assert press == ([2.5, 2.0], [1.5, 1.0], {LATER, ORDER})
    assert extension == ([0.0, 0.0], [1.0, 0.5], {LATER, ORDER})


def test_on_a_leg_day_the_squat_at_the_end_comes_closer_and_the_calf_raise_at_the_start_keeps_more() -> None:
    """A novice new to the squat keeps most of the distance: the limit on discounts gives half of it back."""
    squat, calf_raise = moved(example(LEGS), 0, 4)
    assert squat == ([4.0, 4.0], [3.5, 3.5], {LATER, ORDER})
    assert calf_raise == ([1.0, 1.0], [1.5, 1.0], {LATER, ORDER})


def test_on_a_full_body_day_order_shows_once_no_caution_holds_the_sets() -> None:
    """65 or over: two in reserve everywhere, in any order. Without: the leg press before the curl keeps a little."""
    document = example(FULL_BODY)
    held = moved(document, 0, 3)
    assert [pair[:2] for pair in held] == [([2.0, 2.0], [2.0, 2.0]), ([2.0], [2.0])]
    free = {**document, "lifter": {"experience": "advanced"}}
    leg_press, leg_curl = moved(free, 0, 3)
    assert leg_press == ([1.0, 0.5], [1.0, 0.0], {LATER})
    assert leg_curl == ([0.0], [0.0], {LATER})
    row, curl = moved(free, 1, 4)
    assert row == ([1.0, 0.5], [0.5, 0.0], {LATER, ORDER})
    assert curl == ([0.0], [0.0], {LATER, ORDER})


def test_over_days_a_plan_answers_failure_with_distance_so_others_may_do_more() -> None:
    """What is not promised: the flys of day one to failure push day two's targets away, and its last sets do more.

    Their loads are not told, so that more reserve at the same reps means a lighter load.
    """

    def done(reserve: float) -> list[float]:
        fly = sets_of("cable_chest_fly", 3, rep_target=12)
        first = sets_of("cable_chest_fly", 3, rep_target=12, reps_in_reserve=reserve)
        press = sets_of("machine_chest_press", 3, rep_target=12)
        document: Document = {"lifter": EAGER, "sessions": [session(first), session(fly, press, hours=24)]}
        sets = planned(settled(document), lambda stand: stand.reserve_reps)
        return [one.predicted_reps for one in predict(sets, BASIS.carryover)]

    near, far = done(0.0), done(1.0)
    assert near[-1] > far[-1] + 0.5
