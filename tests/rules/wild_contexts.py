"""Random but repeatable set contexts over every field, most of them never alike: for comparing two ways to answer."""

import random
from typing import Any

from service.rules.compiled import Policy
from tests.rules.contexts import CAUTIONS, EQUIPMENTS, EXERCISES, EXPERIENCES, GOALS, Document

SENT = 0.6


def _hours(rnd: random.Random) -> float:
    return rnd.choice((rnd.randint(0, 80), rnd.uniform(30, 50), rnd.uniform(0, 10_000), 36, 48))


def _lift(rnd: random.Random) -> Document:
    kind = rnd.random()
    if kind < SENT:
        return {"exercise": rnd.choice(EXERCISES)}
    if kind < 1 - SENT / 4:
        traits = {
            "joints": rnd.choice(("multi", "single")),
            "equipment": rnd.choice((None, *EQUIPMENTS)),
            "under_bar": rnd.choice((None, True, False)),
        }
        return {"exercise_traits": traits}
    return {}


def _order(rnd: random.Random, order: str, count: str) -> Document:
    most = rnd.choice((1, 3, 6, 30))
    at, of = rnd.randint(1, most), rnd.randint(1, most)
    return {order: rnd.choice((None, min(at, of))), count: rnd.choice((None, of))}


def _numbers(rnd: random.Random) -> Document:
    return {
        "load_percent_1rm": rnd.choice(
            (rnd.uniform(0.1, 100), rnd.randint(30, 100), round(rnd.uniform(45, 95), 1))
        ),
        "later_overlapping_sets": rnd.choice((rnd.randint(0, 8), rnd.uniform(0, 6), -0.0)),
        "exposures": rnd.choice((rnd.randint(0, 8), rnd.uniform(0, 5), 10_000, 0)),
        "days_since_last_exposure": rnd.choice((rnd.randint(0, 250), rnd.uniform(50, 200), 182)),
        "hours_since_muscle_trained": _hours(rnd),
        "hours_until_muscle_trained": _hours(rnd),
        "failure_share_7d": rnd.choice((rnd.random(), round(rnd.random(), 1), -0.0)),
    }


def _levels(rnd: random.Random) -> Document:
    return {
        "experience": rnd.choice(EXPERIENCES),
        "goal": rnd.choice(GOALS),
        "deload": rnd.random() < 1 / 4,
        "spotter": rnd.random() < 1 / 2,
        "safety_arms": rnd.random() < 1 / 2,
        "cautions": rnd.sample(CAUTIONS, rnd.choice((0, 0, 0, 1, 2))),
        "reporting_bias": {"mean_reps": round(rnd.uniform(-5, 5), 2), "sd_reps": 1},
    }


def wild_document(rnd: random.Random, policy: Policy) -> Document:
    """Return one valid context of `policy` as a document."""
    members: dict[str, Any] = _numbers(rnd) | _levels(rnd)
    if policy.readers["plan_shift_reps"]:
        members["plan_shift_reps"] = rnd.choice((0, 0.5, -1, rnd.uniform(-5, 5)))
    sent = {name: value for name, value in members.items() if rnd.random() < SENT}
    return {
        "rep_target": rnd.choice((rnd.randint(1, 50), rnd.randint(1, 16))),
        **_lift(rnd),
        **_order(rnd, "exercise_order", "exercises_in_session"),
        **_order(rnd, "set_order", "sets_in_exercise"),
        **sent,
    }
