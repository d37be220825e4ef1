"""The invented gym of `effort demo`: lifters whose truth is known, and the sets they would have logged.

All of it is demo data: people, loads and habits are invented (`demo_lifters.toml`), none is a fact of the trade.
Repetitions follow the policy's capacity curve with a personal offset, vary from day to day by the repeatability that
learning counts with, and are reported with a personal bias on top of the prior's.
"""

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from math import exp
from typing import NamedTuple
from uuid import UUID, uuid5

from msgspec import Struct, structs

from service.cli.demo_cast import Cast, Member, Work, read_cast, session_ages, works_at
from service.rules.capacity import mean_reps_to_failure, nearest_step, percent_for_reps
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.learning.context import Profile
from service.rules.learning.numbers import Learning
from service.rules.learning.performed import PerformedSet, ReserveCall, SetEndpoint
from service.rules.learning.reporting import Condition, lower_body_free_weight, prior
from service.rules.learning.strength import repeat_sd
from service.rules.policy import Capacity
from service.rules.prescribe import prescribe

SET_IDS = UUID("6f1d5a0e-2c1b-4f57-9a3c-0d8e7b1f4c21")
CALLED_RESERVES = (2.0, 3.0)
EXTRA_REPS = 4  # beyond the rep target, on a good day
MOST_RESERVE = 10.0
REST_SECONDS = {"multi": 180, "single": 120}
SECONDS_PER_REP = 3
REST_SPREAD_SECONDS = 60
LATE_MINUTES = 30


class DemoLifter(Struct, frozen=True, kw_only=True):
    """An invented lifter: what to look at, the profile, and the sets, oldest first."""

    lifter_id: str
    story: str
    profile: Profile
    sets: tuple[PerformedSet, ...]


@dataclass(frozen=True, slots=True)
class Person:
    """A member with their own curve and chance, and the numbers they are measured by."""

    member: Member
    cast: Cast
    policy: Policy
    numbers: Learning
    capacity: Capacity
    rnd: random.Random


class Planned(NamedTuple):
    """One set before it is done."""

    exercise: str
    rep_target: int
    exercise_order: int
    set_order: int
    prescribed_rir: float
    load_kg: float
    one_rep_max_kg: float
    called: bool


class Done(NamedTuple):
    """How a set ended."""

    reps: int
    endpoint: SetEndpoint
    reported_rir: float | None = None
    call: ReserveCall | None = None


@lru_cache(maxsize=1024)
def _target(context: SetContext, policy: Policy) -> float:
    """Reserve [repetitions] the service prescribes; 0 where it prescribes none."""
    found = prescribe(context, policy).reps_in_reserve
    return 0.0 if found is None else found.target


def _bias(person: Person, exercise: str, reps: int, reported: float, set_order: int) -> tuple[float, float]:
    """Mean and spread [repetitions] of true minus reported reserve in a set."""
    reporting = person.numbers.reporting
    lift = person.policy.data.exercises[exercise]
    condition = Condition(
        reps=reps,
        reported=reported,
        first_set=set_order == 1,
        lower_body_free_weight=lower_body_free_weight(lift, reporting),
        novice=person.member.experience == "novice",
    )
    mean, sd = prior(condition, reporting)
    return mean + person.member.personal_bias_reps, sd * person.cast.report_spread


def _one_rep_max_kg(person: Person, exercise: str, age: int) -> float:
    """True 1RM [kg] so many days ago."""
    member = person.member
    weeks = member.weeks - (max(age, member.plateau_days) - member.away_days) / 7
    gained: float = (1 + member.gain_percent_per_week / 100) ** weeks
    return person.cast.one_rep_max_kg[exercise] * member.strength_factor * gained


def _load_kg(person: Person, exercise: str, one_rep_max_kg: float, reps: float) -> float:
    """Load [kg] the lifter has found to allow `reps` [repetitions], on the equipment's steps."""
    data = person.policy.data
    percent = percent_for_reps(person.capacity, data.families_by_exercise[exercise], reps)
    step = data.capacity.step_kg[data.exercises[exercise].equipment]
    return max(nearest_step(one_rep_max_kg * percent / 100, step), step)


def _planned(person: Person, works: tuple[Work, ...], order: int, age: int, turn: int) -> list[Planned]:
    """The sets of the exercise at place `order`; its load is chosen once, for the first of them."""
    member, work = person.member, works[order - 1]
    rep_target = work.reps[turn % len(work.reps)]
    targets = [
        _target(
            SetContext(
                rep_target=rep_target,
                exercise=work.exercise,
                exercise_order=order,
                exercises_in_session=len(works),
                set_order=place,
                sets_in_exercise=work.sets,
                experience=member.experience,
                goal=member.goal,
                cautions=member.cautions,
                exposures=turn if member.newcomer else None,
                safety_arms=True,
            ),
            person.policy,
        )
        for place in range(1, work.sets + 1)
    ]
    one_rep_max = _one_rep_max_kg(person, work.exercise, age)
    bias, _ = _bias(person, work.exercise, rep_target, targets[0], work.sets)
    load = _load_kg(person, work.exercise, one_rep_max, rep_target + max(targets[0] + bias, 0.0))
    called = bool(member.calls_every) and order == len(works) and turn % member.calls_every == 0
    return [
        Planned(
            exercise=work.exercise,
            rep_target=rep_target,
            exercise_order=order,
            set_order=place,
            prescribed_rir=0.0 if called and place == work.sets else target,
            load_kg=load,
            one_rep_max_kg=one_rep_max,
            called=called and place == work.sets,
        )
        for place, target in enumerate(targets, 1)
    ]


def _possible(person: Person, planned: Planned, age: int, day: float, lost: float) -> float:
    """Repetitions to failure [repetitions] in this set, today's form and earlier sets counted in."""
    family = person.policy.data.families_by_exercise[planned.exercise]
    percent = 100 * planned.load_kg / planned.one_rep_max_kg
    usual = mean_reps_to_failure(person.capacity, family, percent)
    spread = repeat_sd(usual, person.capacity, family, person.numbers.strength)
    form = day * person.cast.share_of_day + person.rnd.gauss(0, 1) * person.cast.share_of_set
    slump = person.member.slump
    if slump is not None and slump.exercise == planned.exercise and age <= slump.days_ago:
        lost += slump.reps
    return usual + spread * person.member.form_spread * form - lost


def _called(person: Person, planned: Planned, possible: float, whole: int) -> Done:
    """A count called out on the way to failure."""
    said = person.rnd.choice(CALLED_RESERVES)
    mean, sd = _bias(person, planned.exercise, planned.rep_target, said, planned.set_order)
    at_rep = round(possible - said - mean - person.rnd.gauss(0, sd))
    call = ReserveCall(at_rep=min(max(at_rep, 1), whole), reps_left=said)
    return Done(whole, "momentary_failure", call=call)


def _done(person: Person, planned: Planned, possible: float) -> Done:
    """The lifter stops where what they feel is left meets the target, unless failure comes first."""
    whole = max(round(possible), 1)
    if planned.called:
        return _called(person, planned, possible, whole)
    mean, sd = _bias(person, planned.exercise, planned.rep_target, planned.prescribed_rir, planned.set_order)
    felt = possible - mean - person.rnd.gauss(0, sd)
    reps = max(min(round(felt - planned.prescribed_rir), planned.rep_target + EXTRA_REPS), 1)
    if person.member.to_failure or reps > whole:
        return Done(whole, "momentary_failure")
    reported = min(max(round(2 * (felt - reps)) / 2, 0.0), MOST_RESERVE)
    return Done(reps, "planned_stop", reported)


def _session(
    person: Person, index: int, age: int, starts: datetime, turns: Counter[str]
) -> Iterator[tuple[datetime, Planned, Done]]:
    """The sets of one session with the instants they ended; `turns` counts the sessions of each exercise."""
    works, instant = works_at(person.cast, person.member, index, age), starts
    for order, work in enumerate(works, 1):
        day, lost = person.rnd.gauss(0, 1), 0.0
        for planned in _planned(person, works, order, age, turns[work.exercise]):
            done = _done(person, planned, _possible(person, planned, age, day, lost))
            instant += timedelta(seconds=SECONDS_PER_REP * done.reps)
            if _stops(person, planned, age):
                yield instant, planned, Done(max(done.reps // 2, 1), "safety_stop")
                return
            yield instant, planned, done
            failed = done.endpoint == "momentary_failure"
            lost += person.cast.lost_reps_per_failure if failed else person.cast.lost_reps_per_set
            joints = person.policy.data.exercises[work.exercise].joints
            instant += timedelta(seconds=REST_SECONDS[joints] + person.rnd.randrange(REST_SPREAD_SECONDS))
        turns[work.exercise] += 1


def _stops(person: Person, planned: Planned, age: int) -> bool:
    stop = person.member.safety_stop
    return stop is not None and (stop.exercise, stop.days_ago) == (planned.exercise, age)


def _logged(person: Person, today: datetime) -> Iterator[PerformedSet]:
    """Every set as the lifter's app would have sent it, oldest first. `today` is the midnight before now."""
    member, turns, number = person.member, Counter[str](), 0
    for index, age in enumerate(session_ages(member)):
        minutes = person.rnd.randrange(LATE_MINUTES)
        starts = today - timedelta(days=age) + timedelta(hours=member.hour, minutes=minutes)
        for instant, planned, done in _session(person, index, age, starts, turns):
            number += 1
            stopped = member.safety_stop if done.endpoint == "safety_stop" else None
            yield PerformedSet(
                set_id=uuid5(SET_IDS, f"{member.lifter_id}/{number}"),
                performed_at=instant.isoformat(),
                exercise=planned.exercise,
                load_kg=planned.load_kg,
                reps=done.reps,
                set_endpoint=done.endpoint,
                reported_rir=done.reported_rir,
                rir_call=done.call,
                prescribed_rir=planned.prescribed_rir,
                exercise_order=planned.exercise_order,
                set_order=planned.set_order,
                note=None if stopped is None else stopped.note,
            )


def _lifter(member: Member, cast: Cast, today: datetime, policy: Policy, numbers: Learning) -> DemoLifter:
    general = policy.data.capacity
    person = Person(
        member=member,
        cast=cast,
        policy=policy,
        numbers=numbers,
        capacity=structs.replace(general, scale=general.scale * exp(member.curve_offset)),
        rnd=random.Random(member.lifter_id),  # noqa: S311 - chance of an invented gym, no secret
    )
    return DemoLifter(
        lifter_id=member.lifter_id,
        story=member.story,
        profile=Profile(experience=member.experience, goal=member.goal, cautions=member.cautions),
        sets=tuple(_logged(person, today)),
    )


def demo_lifters(now: datetime, policy: Policy, numbers: Learning) -> tuple[DemoLifter, ...]:
    """Return the lifters of the invented gym with their sets up to a day or two before `now` (aware).

    The same day (UTC) gives the same bytes. Raises PolicyBroken for a broken cast.
    """
    today = datetime.combine(now.astimezone(UTC).date(), time(), UTC)
    cast = read_cast()
    return tuple(_lifter(member, cast, today, policy, numbers) for member in cast.lifters)
