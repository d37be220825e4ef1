"""What a session sheet holds: every set once, nothing withheld told, loads, cautions, costs."""

import re
from collections import Counter

import pytest

from service.cli.sheet import WORST_FIRST, Load, Sheet
from service.cli.sheet_of_plan import sheet_of
from service.rules.estimate import estimate_load
from service.rules.estimates import LoadQuery
from tests.commands.plan_sheets import (
    NAMES,
    TEXTS,
    answered,
    basis,
    exercise,
    golden,
    golden_sheet,
    groups,
    plan_of,
    pointers,
    printing,
    sets,
    sheet,
    with_sets,
    withheld,
)


def first_load(told: Sheet) -> Load:
    """Return the load of the sheet's first set."""
    to_do = next(groups(told)).to_do
    assert to_do is not None
    return to_do.load


@pytest.mark.parametrize("name", NAMES)
def test_every_set_of_a_plan_stands_on_its_sheet_once(name: str) -> None:
    """In the plan's order, numbered from 1 within its exercise."""
    plan, _ = golden(name)
    told = golden_sheet(name)
    assert [each.pointer for each in sets(told)] == pointers(plan)
    assert [each.set_order for each in sets(told)] == [int(p.rsplit("/")[-1]) + 1 for p in pointers(plan)]


def test_sets_done_alike_stand_together() -> None:
    """Three equal sets are one group; where the target moves, another begins."""
    plan = plan_of([exercise("leg_press", 4)])
    targets = [
        one.prescription.reps_in_reserve.target for one in answered(plan).sessions[0].exercises[0].sets
    ]
    assert targets[:3] == [targets[0]] * 3
    assert targets[3] != targets[0]
    assert [len(group.sets) for group in groups(sheet(plan))] == [3, 1]


def test_a_group_tells_the_target_of_each_of_its_sets() -> None:
    """No set is told the reserve of another."""
    plan, answer = golden("four-week-block")
    found = {
        each.pointer: group.to_do for group in groups(golden_sheet("four-week-block")) for each in group.sets
    }
    prescribed = [one for session in answer.sessions for each in session.exercises for one in each.sets]
    for pointer, one in zip(pointers(plan), prescribed, strict=True):
        to_do = found[pointer]
        if to_do is None:
            assert one.cut
            continue
        assert to_do.reserve == one.prescription.reps_in_reserve
        assert to_do.rpe == one.prescription.rpe
        assert to_do.stop == one.prescription.stop_cues[0].text


def test_cut_sets_are_marked_and_deloads_named() -> None:
    """The last week of the block eases off: of two sets one stays."""
    told = golden_sheet("four-week-block")
    _, answer = golden("four-week-block")
    cut = sum(one.cut for session in answer.sessions for each in session.exercises for one in each.sets)
    assert cut == 2
    assert sum(len(group.sets) for group in groups(told) if group.standing == "left_out") == cut
    assert [session.deload for session in told.sessions] == [False, False, False, True]
    assert all(group.to_do is None for group in groups(told) if group.standing == "left_out")


def test_nothing_to_do_is_told_of_a_withheld_set() -> None:
    """Not even of one among others."""
    plan = plan_of([exercise("leg_press", 3)])
    none = withheld(plan).sessions[0].exercises[0].sets[1]
    mixed = with_sets(answered(plan), lambda number, one: none if number == 1 else one)
    told = list(groups(sheet(plan, mixed)))
    assert [(group.standing, group.to_do is None, len(group.sets)) for group in told] == [
        ("prescribed", False, 1),
        ("withheld", True, 1),
        ("prescribed", False, 1),
    ]


def test_cautions_stand_once_and_the_worst_first() -> None:
    """Every set brings them; the sheet says them once a session."""
    plan = plan_of([exercise("leg_press", 3)], [exercise("leg_press", 3)])
    told = sheet(plan, withheld(plan))
    for session in told.sessions:
        assert [alert.severity for alert in session.alerts] == ["critical", "info", "info"]
        assert len(set(session.alerts)) == len(session.alerts)
        assert "do not train" in session.alerts[0].text


def test_a_critical_warning_stands_on_its_session_only() -> None:
    """Pressing to failure with nobody near: on the day it is planned."""
    dangerous = exercise("barbell_bench_press", 2, reps_in_reserve=0)
    told = sheet(plan_of([exercise("leg_press", 1)], [dangerous]))
    first, second = (session.alerts for session in told.sessions)
    assert {alert.severity for alert in first} == {"info"}
    assert second[0].severity == "critical"
    assert second[0].text.startswith("In the plan: Barbell bench press goes to failure")
    assert "Set safety arms" in second[0].text


def test_warnings_stand_worst_first_with_their_mend_and_place() -> None:
    """Each of the answer is there; alike ones are told together."""
    dangerous = exercise("barbell_bench_press", 2, reps_in_reserve=0)
    plan = plan_of([dangerous, exercise("cable_triceps_pushdown", 2)], [dangerous])
    answer = answered(plan)
    notes = sheet(plan, answer).notes
    assert {(note.text, note.mend) for note in notes} == {(one.text, one.mend) for one in answer.warnings}
    order = [WORST_FIRST.index(note.severity) for note in notes]
    assert order == sorted(order)
    assert notes[0].severity == "critical"
    assert notes[0].where == "sessions 1-2: Barbell bench press sets 1-2"


def test_the_sheet_of_one_session_keeps_to_its_warnings() -> None:
    """Its number stays that of the whole plan."""
    dangerous = exercise("barbell_bench_press", 2, reps_in_reserve=0)
    plan = plan_of([exercise("leg_press", 1)], [dangerous], [exercise("leg_press", 1)])
    answer = answered(plan)
    first, second = (sheet_of(plan, answer, printing(), (number,)) for number in (1, 2))
    assert [session.number for session in second.sessions] == [2]
    assert second.of_sessions == 3
    assert "critical" not in {note.severity for note in first.notes}
    assert "critical" in {note.severity for note in second.notes}


def test_loads_are_told_in_kg_on_the_steps_of_the_equipment() -> None:
    """A barbell in 2.5 kg, a machine in 5 kg; without a 1RM in percent alone."""
    plan = plan_of([exercise("barbell_bench_press", 1, load_percent_1rm=73)])
    assert first_load(sheet(plan, barbell_bench_press=97)) == Load(percent_1rm=73, kg=70)
    plan = plan_of([exercise("leg_press", 1, load_percent_1rm=73)])
    assert first_load(sheet(plan, leg_press=97)) == Load(percent_1rm=73, kg=70)
    assert first_load(sheet(plan, leg_press=100)) == Load(percent_1rm=73, kg=75)
    assert first_load(sheet(plan)) == Load(percent_1rm=73, kg=None)


def test_no_load_is_rounded_above_the_one_rep_max() -> None:
    """100 % of 98 kg on a machine is 95 kg, not 100; less than half a step has no kg."""
    heavy = plan_of([exercise("leg_press", 1, rep_target=1, load_percent_1rm=100)])
    assert first_load(sheet(heavy, leg_press=98)).kg == 95
    light = plan_of([exercise("leg_press", 1, load_percent_1rm=10)])
    assert first_load(sheet(light, leg_press=20)).kg is None


def test_a_way_out_that_the_steps_make_the_same_load_is_not_told() -> None:
    """74.6 % instead of 78 % is another load on 100 kg, and the same on 40 kg."""
    plan, answer = golden("pressing-day")
    for one_rep_max_kg, other_kg in ((100, 75), (40, None)):
        to_do = next(groups(sheet(plan, answer, barbell_bench_press=one_rep_max_kg))).to_do
        assert to_do is not None
        assert to_do.too_heavy
        assert (to_do.other_load.kg if to_do.other_load else None) == other_kg


def test_an_untold_load_is_suggested_where_the_one_rep_max_is_known() -> None:
    """The same as the service's own estimate for these reps at this target."""
    plan = plan_of([exercise("leg_press", 1, load_percent_1rm=None)])
    target = answered(plan).sessions[0].exercises[0].sets[0].prescription.reps_in_reserve.target
    query = LoadQuery(one_rep_max_kg=200, rep_target=10, reps_in_reserve=target, exercise="leg_press")
    wanted = estimate_load(query, basis().policy).load_kg
    assert first_load(sheet(plan, leg_press=200)) == Load(percent_1rm=None, kg=wanted, suggested=True)
    assert first_load(sheet(plan)) == Load(percent_1rm=None, kg=None)
    assert first_load(sheet(plan, leg_press=0.01)) == Load(percent_1rm=None, kg=None)


def test_costs_are_the_answers_totals_and_biggest_payers() -> None:
    """By exercise name, most first, both ways beside each other."""
    plan, answer = golden("pressing-day")
    lost = {kind: Counter[str]() for kind in ("as_prescribed", "all_to_failure")}
    for kind, counter in lost.items():
        for paid in getattr(answer.carryover, kind).paid_by:
            place = int(paid.to_exercise.rsplit("/")[-1])
            counter[plan.sessions[0].exercises[place].exercise] += paid.reps_lost
    totals, later, proposed = golden_sheet("pressing-day").costs
    assert re.findall(r"\d+", totals) == ["131", "110"]
    assert re.findall(r"\d+", proposed)[0] == "128"
    assert f"take {sum(lost['all_to_failure'].values()):.0f} reps" in later
    for name, reps in lost["all_to_failure"].most_common(3):
        told = basis().policy.data.exercises[name].name
        assert f"{told} ({reps:.0f} instead of {lost['as_prescribed'][name]:.0f})" in later
    places = [
        later.index(basis().policy.data.exercises[n].name) for n, _ in lost["all_to_failure"].most_common(3)
    ]
    assert places == sorted(places)


def test_no_costs_are_told_where_nothing_is_to_be_done() -> None:
    """A withheld plan has no totals to compare."""
    plan = plan_of([exercise("leg_press", 2)])
    assert sheet(plan, withheld(plan)).costs == ()
    assert sheet(plan).costs[1] == TEXTS.cost_nothing


def test_assumptions_are_counted_by_set() -> None:
    """Rest untold in three of four sets that are followed by another; the plan's own stand first and alone."""
    day = [exercise("leg_press", 3, rest_seconds=None, load_percent_1rm=None), exercise("leg_extension", 1)]
    assumed = sheet(plan_of(day)).assumed
    assert assumed[0] == "Rest not told: 120 s are taken, a usual rest. (3 sets)"
    assert assumed[1].startswith("Load not told")
    assert assumed[1].endswith("(3 sets)")
    assert not any(each.startswith("Load unknown") for each in assumed)
    assert "Goal unknown: counted as hypertrophy. (4 sets)" in assumed
    eased = sheet(plan_of(day, progression={"weeks": 1, "deload_weeks": [1]})).assumed
    assert "Goal unknown: counted as hypertrophy. (3 sets)" in eased


def test_sets_kept_from_failure_by_limits_are_named() -> None:
    """As the answer's moves."""
    plan, answer = golden("four-week-block")
    assert answer.allocation is not None
    assert len(answer.allocation.moves) == 4
    assert sheet(plan, answer).moved == (
        "Kept away from failure by the plan's limits: sessions 2-3: Machine chest fly set 1; "
        "session 3: Machine chest press sets 1-2."
    )


def test_what_holds_for_every_set_is_told_once() -> None:
    """Words explained, technique, bar speed where any set has a band."""
    (told,) = golden_sheet("pressing-day").sessions
    assert len(told.every_set) == len(set(told.every_set)) == 3
    (slow,) = sheet(plan_of([exercise("cable_biceps_curl", 2)])).sessions
    assert not any("speed" in each for each in slow.every_set)


def test_a_proposal_inside_the_range_is_not_held_against_the_plan() -> None:
    """Only one outside is told."""
    plan = plan_of([exercise("leg_press", 1, reps_in_reserve=2)])
    group = next(groups(sheet(plan)))
    assert group.to_do is not None
    assert group.to_do.reserve.low <= 2 <= group.to_do.reserve.high
    assert group.to_do.proposed_reps is None
