"""How far a lifter's count is off: every cell of the prior, what widens it, and what one verified set teaches."""

from typing import Any

import pytest

from service.rules.learning.known import LifterKnown
from service.rules.learning.reporting import Condition, bias_in, lower_body_free_weight
from tests.rules.lifters import NUMBERS, POLICY, at, known_from, performed

# reps of the set, reserve reported: the last of each band, and the first beyond it
PRIORS = [
    *[(6, 1.5, -0.2, 0.8), (6, 2, -0.2, 1.0), (6, 3.5, -0.2, 1.0), (6, 4, -0.3, 1.3)],
    *[(7, 1.5, 0.2, 1.0), (12, 1.5, 0.2, 1.0), (12, 3.5, 0.4, 1.2), (12, 4, 0.7, 1.6), (12, 10, 0.7, 1.6)],
    *[(13, 1.5, 1.2, 1.7), (13, 3.5, 2.0, 2.3), (13, 10, 2.9, 2.8)],
]


@pytest.mark.parametrize(("reps", "reported", "mean", "sd"), PRIORS)
def test_each_band_of_the_prior_ends_where_the_data_says(
    reps: int, reported: float, mean: float, sd: float
) -> None:
    """The table per condition (judgement on Zourdos 2021, Refalo 2023, a thesis of 12 men, Hackett 2017)."""
    bias = bias_in(Condition(reps=reps, reported=reported), LifterKnown(), NUMBERS.reporting)
    assert (bias.mean, bias.report_sd, bias.sd) == (mean, sd, pytest.approx(0.8))


@pytest.mark.parametrize(
    ("exercise", "holds"),
    [
        ("barbell_back_squat", True),
        ("dumbbell_goblet_squat", True),
        ("leg_press", False),
        ("barbell_bench_press", False),
        ("dumbbell_bench_press", False),
    ],
)
def test_free_weights_for_the_legs_are_reported_worse(exercise: str, holds: bool) -> None:
    """Barbell and dumbbell, lower body trained directly: both."""
    assert lower_body_free_weight(POLICY.data.exercises[exercise], NUMBERS.reporting) is holds


SQUAT, FIRST = {"exercise": "barbell_back_squat"}, {"set_order": 1}


@pytest.mark.parametrize(
    ("members", "mean", "sd"),
    [
        ({}, 0.4, 1.2),
        ({"set_order": 2}, 0.4, 1.2),
        (FIRST, 0.4 + 0.3, 1.2 * 1.2),
        (SQUAT, 0.4 + 0.2, 1.2 * 1.2),
        (SQUAT | FIRST, 0.4 + 0.3 + 0.2, 1.2 * 1.2 * 1.2),
    ],
)
def test_a_verified_set_weighs_by_the_spread_of_its_condition(
    members: dict[str, Any], mean: float, sd: float
) -> None:
    """Called 2 at rep 5, nine came, so two more than called: what is over the prior's mean counts by 1 / SD squared."""
    call = {"at_rep": 5, "reps_left": 2}
    done = performed(at(), 1, reps=9, set_endpoint="momentary_failure", rir_call=call, **members)
    lifter = known_from(done).lifter
    assert lifter.bias_precision == pytest.approx(1 / sd**2)
    assert lifter.bias_weighted == pytest.approx((2 - mean) / sd**2)


@pytest.mark.parametrize(("reps", "gates", "sd"), [(30, 3, 2.8), (5, -3, 1.3)])
def test_a_wild_error_counts_as_three_spreads(reps: int, gates: int, sd: float) -> None:
    """Five left were called at rep 5: twenty too few, or five too many."""
    call = {"at_rep": 5, "reps_left": 5}
    done = performed(at(), 1, reps=reps, set_endpoint="momentary_failure", rir_call=call)
    assert known_from(done).lifter.bias_weighted == pytest.approx(gates * sd / sd**2)
