"""What performed sets teach, against published figures and against lifters whose truth is known."""

import math
import random
from functools import cache
from statistics import fmean

import pytest

from service.rules.learning.known import Known, LifterKnown
from service.rules.learning.reporting import Condition, bias_in
from service.rules.learning.state import state_of
from service.rules.learning.view import effective_exposures
from tests.rules.lifters import NUMBERS, POLICY, Simulated, at, known_from, micros, performed, simulate

LIFTERS = 150


def state(known: Known, days: float = 0.0):  # noqa: ANN201 - LifterState, told by its use
    """Return the state so many days after the start."""
    return state_of("a", known, micros(at(days)), novice=False, policy=POLICY, numbers=NUMBERS)


@cache
def simulated() -> tuple[Simulated, ...]:
    """Return lifters with a personal bias spread evenly over what is seen, six verified sets each."""
    rnd = random.Random(20261125)
    return tuple(simulate(rnd, personal_bias=rnd.uniform(-1.4, 2.1), verified=6) for _ in range(LIFTERS))


def rms(errors: list[float]) -> float:
    """Root of the mean square."""
    return math.sqrt(fmean(error * error for error in errors))


def test_lifters_underpredict_and_more_so_in_long_sets() -> None:
    """Direction of Halperin 2022 (doi 10.1007/s40279-021-01559-x): 0.95 reps on average, more per rep above 12."""
    means = [
        bias_in(Condition(reps=reps, reported=2), LifterKnown(), NUMBERS.reporting).mean for reps in (8, 16)
    ]
    assert 0 < means[0] < means[1]


def test_six_verified_sets_take_the_bias_well_below_the_priors_error() -> None:
    """At most 0.6 of the prior's root mean square error."""
    prior_mean = 0.4  # reference condition
    learned = [state(s.known).reporting_bias.mean_reps - prior_mean - s.personal_bias for s in simulated()]
    ignorant = [-s.personal_bias for s in simulated()]
    assert all(state(s.known).reporting_bias.verified_sets == 6 for s in simulated())
    assert rms(learned) <= 0.6 * rms(ignorant)


def test_one_rep_max_is_found_within_four_percent_and_its_interval_is_honest() -> None:
    """RMSE under 4 %, and the 90 % interval covers 80-97 % of the truths."""
    errors, covered = [], 0
    for lifter in simulated():
        known = state_of("a", lifter.known, micros(lifter.last), novice=False, policy=POLICY, numbers=NUMBERS)
        estimate = known.exercises[0].one_rep_max_kg
        assert estimate is not None
        errors.append(estimate.mean / lifter.one_rep_max_kg - 1)
        covered += estimate.low <= lifter.one_rep_max_kg <= estimate.high
    assert rms(errors) < 0.04
    assert 0.80 <= covered / LIFTERS <= 0.97


def test_the_noise_floor_is_the_published_repeatability() -> None:
    """SEM 0.7 reps at 90 % and 1.1 at 70 % of 1RM (Mitter 2022, PMC9070879, abstract)."""
    numbers = NUMBERS.strength
    assert dict(zip(numbers.repeat_percents, numbers.repeat_sd_reps, strict=True)) == {70.0: 1.1, 90.0: 0.7}


def sessions(count: int, *, reported: float, gap_days: float = 7.0) -> Known:
    """Return what `count` weekly sessions with this reserve leave behind."""
    return known_from(*(performed(at(gap_days * n), n + 1, reported_rir=reported) for n in range(count)))


@pytest.mark.parametrize(("days", "share"), [(0, 1.0), (56, 1.0), (84, 0.5), (182, 0.0), (400, 0.0)])
def test_protection_is_full_at_8_weeks_half_at_12_and_gone_after_26(days: float, share: float) -> None:
    """Nosaka 2005: full protection at 8 weeks, part of it at 12; none after 26 is judgement."""
    known = sessions(6, reported=1).exercises["barbell_bench_press"]
    left = effective_exposures(known, micros(at(5 * 7 + days)), POLICY)
    assert left == pytest.approx(4 * share)


def test_four_easy_sessions_count_about_as_one_hard_one() -> None:
    """Chen 2010: four bouts at 40 % protect like one maximal bout."""
    easy = sessions(4, reported=6).exercises["barbell_bench_press"]
    hard = sessions(1, reported=1).exercises["barbell_bench_press"]
    assert easy.exposures == pytest.approx(hard.exposures)


def test_several_sets_of_one_session_are_one_exposure() -> None:
    """Exposures are sessions, at the weight of the hardest set."""
    known = known_from(
        performed(at(), 1, reported_rir=6),
        performed(at(seconds=300), 2, reported_rir=1),
        performed(at(hours=1), 3),
    )
    assert known.exercises["barbell_bench_press"].exposures == 1.0


@pytest.mark.parametrize("endpoint", ["technical_failure", "volitional_stop", "safety_stop"])
def test_ends_that_are_no_failure_teach_no_strength_and_no_bias(endpoint: str) -> None:
    """Only momentary failure with technique held, a self-determined RM or a counted reserve calibrate."""
    call = {"at_rep": 5, "reps_left": 1}
    known = known_from(performed(at(), 1, set_endpoint=endpoint, reported_rir=1, rir_call=call))
    assert known.exercises["barbell_bench_press"].strength is None
    assert known.lifter.verified_sets == 0


def test_failure_without_a_call_verifies_strength_but_not_the_bias() -> None:
    """A call during the set is what failure can be compared with."""
    known = known_from(performed(at(), 1, set_endpoint="momentary_failure"))
    assert known.exercises["barbell_bench_press"].strength is not None
    assert known.lifter.verified_sets == 0


def test_wild_data_degrades_to_the_prior_not_to_nonsense() -> None:
    """Impossible sets after honest ones hardly move anything; the bias stays within two reps of the prior."""
    honest = [performed(at(3.5 * n), n + 1, reported_rir=2) for n in range(10)]
    wild = [
        performed(at(36 + n), 100 + n, load_kg=1000, reps=15, set_endpoint="momentary_failure", rir_call=call)
        for n, call in enumerate([{"at_rep": 1, "reps_left": 0}] * 4)
    ]
    sane, mad = state(known_from(*honest), 40), state(known_from(*honest, *wild), 40)
    estimates = [found.exercises[0].one_rep_max_kg for found in (sane, mad)]
    assert all(estimate is not None for estimate in estimates)
    assert estimates[1].mean < 2 * estimates[0].mean  # type: ignore[union-attr]  # asserted above
    assert abs(mad.reporting_bias.mean_reps - 0.4) <= 2.0
    assert all(math.isfinite(value) for value in (mad.reporting_bias.sd_reps, mad.reporting_bias.high_reps))


def test_failure_share_counts_the_last_seven_days_by_muscle_share() -> None:
    """Direct 1.0, indirect 0.5 (Pelland, fractional counting); older sets drop out."""
    known = known_from(
        performed(at(-8), 1, set_endpoint="momentary_failure"),
        performed(at(-1), 2, set_endpoint="momentary_failure"),
        performed(at(-1, seconds=200), 3),
        performed(at(-1, seconds=400), 4),
    )
    muscles = {muscle.muscle: muscle for muscle in state(known).muscles}
    assert muscles["pectoralis_major"].failure_share_7d == pytest.approx(1 / 3, abs=0.001)
    assert muscles["pectoralis_major"].fractional_sets_7d == 3.0
    assert muscles["triceps_brachii"].fractional_sets_7d == 1.5
    assert muscles["triceps_brachii"].last_trained_at == "2026-01-04T18:06:40Z"
    assert state(known).exercises[0].last_performed_at == "2026-01-04T18:06:40Z"


def test_a_stall_needs_two_sessions_two_reps_below_the_one_before() -> None:
    """Two reps lie beyond the repeatability of Mitter 2022; one bad day is no stall."""

    def log(*reps: int) -> Known:
        return known_from(
            *(
                performed(at(4 * n), n + 1, reps=count, set_endpoint="momentary_failure")
                for n, count in enumerate(reps)
            )
        )

    assert state(log(10, 8, 8)).exercises[0].stall
    assert not state(log(10, 8, 9)).exercises[0].stall
    assert not state(log(10, 8)).exercises[0].stall
    assert not state(log(10, 10, 11)).exercises[0].stall


@pytest.mark.parametrize(
    ("later_load", "stall"), [(80.0, True), (80.8, True), (81.0, False), (79.2, True), (79.0, False)]
)
def test_only_equal_loads_are_compared_for_a_stall(later_load: float, stall: bool) -> None:
    """Within one per cent of each other; fewer repetitions with more weight are no sign, nor with less."""
    days = ((0, 80.0, 10), (4, later_load, 8), (8, later_load, 8))
    known = known_from(
        *(
            performed(at(day), day + 1, load_kg=load, reps=reps, set_endpoint="momentary_failure")
            for day, load, reps in days
        )
    )
    assert state(known).exercises[0].stall is stall
