"""Prescribed against done, and what the types of a performed set cannot say."""

import re
from datetime import date, timedelta
from itertools import product

import msgspec
import pytest
from msgspec import structs

from service.rules.learning.checks import faults_of_set
from service.rules.learning.performed import INSTANT_PATTERN, PerformedSet, instant_of
from service.rules.learning.review import monday_of, review_of, weeks_until
from tests.rules.lifters import POLICY, START, at, known_from, micros, performed


def test_a_week_shows_prescribed_against_done_by_exercise() -> None:
    """Means over sets with a target and a known reserve; counts by end point over all."""
    known = known_from(
        performed(at(), 1, prescribed_rir=2, reported_rir=3),
        performed(at(seconds=300), 2, prescribed_rir=2, reported_rir=1.5),
        performed(at(seconds=600), 3, prescribed_rir=1, set_endpoint="momentary_failure"),
        performed(at(seconds=900), 4, prescribed_rir=1),
        performed(at(seconds=1200), 5, exercise="leg_press", reported_rir=0),
    )
    (week,) = review_of("a", known, weeks_until(micros(at(1)), 4)).weeks
    assert (week.week, week.starts_on) == ("2026-W02", "2026-01-05")
    bench, legs = week.exercises
    assert (bench.exercise, bench.sets, bench.compared_sets) == ("barbell_bench_press", 4, 3)
    assert bench.set_endpoints == {"momentary_failure": 1, "planned_stop": 3}
    assert bench.prescribed_rir_mean == pytest.approx(5 / 3, abs=0.001)
    assert bench.done_rir_mean == pytest.approx(1.5)
    assert bench.difference_mean == pytest.approx(1.5 - 5 / 3, abs=0.001)
    assert (legs.compared_sets, legs.difference_mean) == (0, None)
    chest = next(muscle for muscle in week.muscles if muscle.muscle == "pectoralis_major")
    assert (chest.fractional_sets, chest.failure_share) == (4.0, 0.25)


def test_the_bias_trend_rests_on_verified_sets_only() -> None:
    """True minus called reserve: two left at a call of one is plus one."""
    call = {"at_rep": 6, "reps_left": 1}
    known = known_from(
        performed(at(), 1, set_endpoint="momentary_failure", rir_call=call),
        performed(at(7), 2, reported_rir=0),
    )
    first, second = review_of("a", known, weeks_until(micros(at(8)), 2)).weeks
    assert (first.verified_sets, first.bias_mean_reps) == (1, 1.0)
    assert (second.verified_sets, second.bias_mean_reps) == (0, None)


def test_weeks_run_over_the_turn_of_the_year() -> None:
    """ISO weeks, oldest first; the year of the week is not always the year of the day."""
    assert weeks_until(micros(START), 3) == ("2025-W52", "2026-W01", "2026-W02")
    assert monday_of("2026-W01").isoformat() == "2025-12-29"


@pytest.mark.parametrize(
    ("members", "places"),
    [
        ({"performed_at": "2000-01-01T00:59:59+01:00"}, ["#/performed_at"]),
        ({"performed_at": "2026-01-08T18:00:01+00:00"}, ["#/performed_at"]),
        (
            {"exercise": "leg_pres", "rir_call": {"at_rep": 9, "reps_left": 1}},
            ["#/exercise", "#/rir_call/at_rep"],
        ),
        ({"performed_at": "2026-01-07T17:00:00Z"}, []),
    ],
)
def test_faults_of_a_set_name_their_places(members: dict[str, object], places: list[str]) -> None:
    """From 2000 to 48 h ahead, known exercises, calls within the set."""
    told = structs.asdict(performed(START, **members))
    faults = faults_of_set(told, POLICY, START + timedelta(days=1))
    assert [fault.place for fault in faults] == places


@pytest.mark.parametrize(
    "text",
    [
        "2026-01-05 18:00:00Z",
        "2026-01-05T18:00:00",
        "2026-01-05t18:00:00z",
        "2026-01-05T18:00:60Z",
        "2026-01-05T18:00:00+24:00",
        "2026-01-05T18:00:00Z\n",
        "2026-02-29T18:00:00Z",
        "2026-04-31T18:00:00Z",
        "1999-12-31T23:59:59Z",
        "2100-01-01T00:00:00Z",
        "1767636000",
    ],
)
def test_only_rfc_3339_with_t_and_offset_is_an_instant(text: str) -> None:
    """RFC 3339, a day of the calendar, this century; no leap second, no epoch, no naive time."""
    with pytest.raises(msgspec.ValidationError):
        performed(START, performed_at=text)


def test_every_day_of_the_century_is_an_instant_and_no_other() -> None:
    """The pattern knows the calendar (general reference: Python's)."""
    pattern = re.compile(INSTANT_PATTERN)
    for year, month, day in product(range(2000, 2100), range(14), range(33)):
        text = f"{year}-{month:02d}-{day:02d}T18:00:00Z"
        try:
            date(year, month, day)
        except ValueError:
            assert not pattern.search(text)
        else:
            assert pattern.search(text)


def test_instants_are_compared_in_utc_to_the_microsecond() -> None:
    """Offsets and finer digits do not matter."""
    one, other = "2026-01-05T19:00:00.1234567+01:00", "2026-01-05T18:00:00.123456Z"
    assert instant_of(one) == instant_of(other)


def test_a_performed_set_survives_the_wire() -> None:
    """JSON and back is the same set."""
    one = performed(START, reported_rir=2, rir_call={"at_rep": 5, "reps_left": 3}, note="slow, \u00fcber 3 s")
    assert msgspec.json.decode(msgspec.json.encode(one), type=PerformedSet) == one
