"""The load for a rep target: on the equipment's steps, ties down, never above the 1RM, honest chance."""

from statistics import NormalDist

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.rules.capacity import (
    chance_below,
    mean_reps_to_failure,
    nearest_step,
    percent_for_reps,
    sd_reps_to_failure,
)
from service.rules.estimate import estimate_load
from service.rules.estimates import LoadEstimate, LoadQuery
from tests.rules.contexts import EXERCISES, POLICY, steady, thorough

CAPACITY = POLICY.data.capacity
maxima = st.floats(0.001, 2000) | st.integers(1, 2000)
targets = st.integers(1, 50)
reserves = st.none() | st.floats(0, 10) | st.integers(0, 10)
steps = st.sampled_from((0.01, 0.25, 0.5, 1, 1.25, 2, 2.5, 5, 10, 100))
exercises = st.none() | st.sampled_from(EXERCISES)


def _load(
    one_rep_max_kg: float,
    rep_target: int,
    reserve: float | None = None,
    step_kg: float | None = None,
    exercise: str | None = None,
) -> LoadEstimate:
    query = LoadQuery(
        one_rep_max_kg=one_rep_max_kg,
        rep_target=rep_target,
        reps_in_reserve=reserve,
        step_kg=step_kg,
        exercise=exercise,
    )
    return estimate_load(query, POLICY)


@pytest.mark.parametrize(
    ("wanted", "step", "load"),
    [(1.25, 2.5, 0), (3.75, 2.5, 2.5), (3.76, 2.5, 5), (86.25, 2.5, 85), (7.5, 5, 5), (0, 2.5, 0)],
)
def test_ties_go_down(wanted: float, step: float, load: float) -> None:
    """Halfway between two steps the lighter is taken (safe side)."""
    assert nearest_step(wanted, step) == load


@thorough
@given(maxima, targets, reserves, steps, exercises)
def test_a_load_never_exceeds_the_maximum_and_lies_on_a_step(
    maximum: float, rep_target: int, reserve: float | None, step_kg: float, exercise: str | None
) -> None:
    """0 <= load <= 1RM, a whole number of steps, and the nearest to what the curve asks for."""
    found = _load(maximum, rep_target, reserve, step_kg, exercise)
    assert 0 <= found.load_kg <= maximum
    assert found.load_percent_1rm <= 100
    assert found.load_kg / step_kg == pytest.approx(round(found.load_kg / step_kg), abs=1e-6)
    family = "general" if exercise is None else POLICY.data.families_by_exercise[exercise]
    wanted = maximum * percent_for_reps(CAPACITY, family, rep_target + (reserve or 0)) / 100
    if found.load_kg + step_kg <= maximum:
        assert abs(found.load_kg - wanted) <= step_kg / 2 + 1e-6


@thorough
@given(st.floats(20, 500), targets, reserves, steps, exercises)
def test_the_chance_of_falling_short_is_that_of_the_load_given(
    maximum: float, rep_target: int, reserve: float | None, step_kg: float, exercise: str | None
) -> None:
    """chance_short: the normal probability that reps to failure at that load are below reps + reserve."""
    found = _load(maximum, rep_target, reserve, step_kg, exercise)
    assume(found.load_kg > 0)
    family = "general" if exercise is None else POLICY.data.families_by_exercise[exercise]
    percent = 100 * found.load_kg / maximum
    spread = NormalDist(
        mean_reps_to_failure(CAPACITY, family, percent), sd_reps_to_failure(CAPACITY, family, percent)
    )
    assert found.chance_short == pytest.approx(spread.cdf(rep_target + (reserve or 0)), abs=0.0006)
    assert found.load_percent_1rm == pytest.approx(percent, abs=0.0006)


def test_a_fine_step_leaves_an_even_chance() -> None:
    """On very fine steps the mean lifter just makes it: half fall short (definition of the mean)."""
    assert _load(200, 8, 2, 0.01).chance_short == pytest.approx(0.5, abs=0.01)


@steady
@given(st.floats(20, 500), st.integers(1, 49), st.floats(0, 9), exercises)
def test_more_reps_or_more_reserve_never_take_more_load(
    maximum: float, rep_target: int, reserve: float, exercise: str | None
) -> None:
    """One rep more, to do or to keep, never raises the load; one to keep equals one to do."""
    now = _load(maximum, rep_target, reserve, exercise=exercise)
    assert _load(maximum, rep_target + 1, reserve, exercise=exercise).load_kg <= now.load_kg
    assert _load(maximum, rep_target, reserve + 1, exercise=exercise).load_kg <= now.load_kg
    assert _load(maximum, rep_target, 1, exercise=exercise) == _load(
        maximum, rep_target + 1, 0, exercise=exercise
    )


def test_reserve_left_out_is_failure() -> None:
    """`reps_in_reserve` is optional and 0."""
    assert _load(100, 5) == _load(100, 5, 0)


@pytest.mark.parametrize("equipment", ["barbell", "dumbbell", "machine", "cable"])
def test_the_usual_step_of_the_equipment_is_used(equipment: str) -> None:
    """Without a step, the policy's step for the exercise's equipment (gym facts, common practice)."""
    exercise = next(e for e in POLICY.data.exercises.values() if e.equipment == equipment)
    assert _load(97.3, 8, exercise=exercise.id) == _load(
        97.3, 8, step_kg=CAPACITY.step_kg[exercise.equipment], exercise=exercise.id
    )
    assert _load(97.3, 8) == _load(97.3, 8, step_kg=CAPACITY.default_step_kg)


@pytest.mark.parametrize(("mean", "sd"), [(10, 2), (5, 0.4), (30, 12)])
def test_chance_below_is_the_normal_distribution(mean: float, sd: float) -> None:
    """Against the standard library's normal distribution, and a step without spread."""
    for reps in (0, 3, 5, 9.5, 10, 12, 60):
        assert chance_below(mean, sd, reps) == pytest.approx(NormalDist(mean, sd).cdf(reps), abs=1e-12)
    assert chance_below(mean, 0, mean - 0.1) == 0
    assert chance_below(mean, 0, mean + 0.1) == 1
