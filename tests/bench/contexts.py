"""Random but repeatable set contexts, as an app would send them."""

import random

import msgspec

from service.rules.compiled import Policy
from service.rules.context import SetContext

LEVELS = ("novice", "intermediate", "advanced")
GOALS = ("hypertrophy", "hypertrophy", "strength", "power")


def random_contexts(policy: Policy, count: int, *, seed: int) -> list[SetContext]:
    """Return `count` valid contexts; loads to 0.1 %, so hardly any two are alike."""
    rnd = random.Random(seed)
    exercises = list(policy.data.exercises)

    def one() -> SetContext:
        exercise_count, set_count = rnd.randint(1, 8), rnd.randint(1, 5)
        members = {
            "load_percent_1rm": round(rnd.uniform(30, 95), 1),
            "exercise": rnd.choice(exercises),
            "exercises_in_session": exercise_count,
            "exercise_order": rnd.randint(1, exercise_count),
            "sets_in_exercise": set_count,
            "set_order": rnd.randint(1, set_count),
            "experience": rnd.choice(LEVELS),
            "exposures": rnd.randint(0, 12),
            "hours_since_muscle_trained": rnd.randint(10, 100),
            "failure_share_7d": round(rnd.random(), 2),
            "goal": rnd.choice(GOALS),
            "spotter": rnd.random() < 0.5,
        }
        sent = {name: value for name, value in members.items() if rnd.random() < 0.7}
        if "exercise_order" in sent:
            sent["exercises_in_session"] = exercise_count
        if "set_order" in sent:
            sent["sets_in_exercise"] = set_count
        return msgspec.convert({"rep_target": rnd.randint(1, 30), **sent}, SetContext)

    return [one() for _ in range(count)]
