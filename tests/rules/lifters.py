"""Invented lifters whose strength, capacity and reporting bias are known, and the sets they would log."""

import math
import random
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec

from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.fold import learn_all
from service.rules.learning.known import Known, Micros, micros_of
from service.rules.learning.performed import PerformedSet, ReserveCall
from service.rules.learning.reporting import Condition, prior
from service.rules.learning.strength import repeat_sd

POLICY = load_policies().newest
NUMBERS = load_learning(POLICY)
START = datetime(2026, 1, 5, 18, tzinfo=UTC)
EXERCISE = "barbell_bench_press"


def at(days: float = 0.0, hours: float = 0.0, seconds: float = 0.0) -> datetime:
    """Return an instant after the first Monday evening of the year."""
    return START + timedelta(days=days, hours=hours, seconds=seconds)


def micros(instant: datetime) -> Micros:
    """Return an instant as the rules count it."""
    return micros_of(instant)


def performed(instant: datetime, number: int = 1, **members: Any) -> PerformedSet:
    """Return a valid set: a bench press of 8 reps with 80 kg, planned stop, unless told otherwise."""
    told = {
        "set_id": str(UUID(int=number)),
        "performed_at": instant.isoformat(),
        "exercise": EXERCISE,
        "load_kg": 80,
        "reps": 8,
        "set_endpoint": "planned_stop",
    }
    return msgspec.convert(told | members, PerformedSet, strict=True)


def known_from(*sets: PerformedSet) -> Known:
    """Return what these sets, oldest first, teach."""
    return learn_all(sets, POLICY, NUMBERS)


def _reported(rnd: random.Random, reps: int, left: float, personal: float) -> float:
    """What the lifter says when `left` are left: the report whose bias explains it best, in half reps."""
    noise = rnd.gauss(0, 1)

    def miss(said: float) -> float:
        mean, sd = prior(Condition(reps=reps, reported=said), NUMBERS.reporting)
        return abs(said + mean + personal + noise * sd - left)

    return min((half / 2 for half in range(11)), key=miss)


class Simulated(msgspec.Struct, frozen=True, kw_only=True):
    """One lifter after nine weeks: the log, and the truth behind it."""

    known: Known
    one_rep_max_kg: float
    personal_bias: float
    last: datetime


def simulate(rnd: random.Random, *, personal_bias: float, verified: int) -> Simulated:
    """Two sessions a week for nine weeks at 70-90 %; `verified` sets end in momentary failure after a call.

    Repetitions vary from day to day as in Mitter 2022, curves between people as the policy's spread, reports as in
    the prior table (Zourdos 2021, Refalo 2023); the 1RM drifts as a random walk.
    """
    capacity, family = POLICY.data.capacity, POLICY.data.families_by_exercise[EXERCISE]
    log_max = math.log(rnd.uniform(60, 160))
    scale = (
        capacity.scale * capacity.families[family].scale * math.exp(rnd.gauss(0, NUMBERS.strength.offset_sd))
    )
    sets: list[PerformedSet] = []
    instant = START
    for session in range(18):
        log_max += rnd.gauss(0, NUMBERS.strength.drift_sd_per_week / math.sqrt(2))
        instant = START + timedelta(days=3.5 * session)
        load = round(math.exp(log_max) * rnd.choice((0.7, 0.75, 0.8, 0.85, 0.9)) / 2.5) * 2.5
        usual = 1 + scale * max(math.exp(log_max) / load - 1, 0) ** capacity.exponent
        spread = repeat_sd(usual, capacity, family, NUMBERS.strength)
        for place in range(2):
            possible = usual + rnd.gauss(0, spread)
            whole = max(1, math.floor(possible + 0.5))
            number, moment = len(sets) + 1, instant + timedelta(minutes=4 * place)
            if place == 0:
                reps = max(1, whole - rnd.choice((1, 2, 3)))
                said = _reported(rnd, reps, possible - reps, personal_bias)
                sets.append(performed(moment, number, load_kg=load, reps=reps, reported_rir=said))
            elif verified and session % 3 == 0:
                verified -= 1
                called_at = max(1, whole - 2)
                said = _reported(rnd, whole, whole - called_at, personal_bias)
                call = msgspec.to_builtins(ReserveCall(at_rep=called_at, reps_left=said))
                sets.append(
                    performed(
                        moment,
                        number,
                        load_kg=load,
                        reps=whole,
                        set_endpoint="momentary_failure",
                        rir_call=call,
                    )
                )
    return Simulated(
        known=known_from(*sets), one_rep_max_kg=math.exp(log_max), personal_bias=personal_bias, last=instant
    )
