"""Rows of what was learned keep their meaning under one number: else a release would mix old rows with new ones."""

import hashlib
from itertools import product
from typing import Any

import msgspec

from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import ROWS
from service.rules.learning.fold import learn_all
from tests.rules.lifters import at, performed

# What the log below leaves behind, by `ROWS` and the version of the numbers. Never change a line, add one.
LEARNED = {"1 2026-11-25": "3ad5d9263e18a1fc"}
ENDS = ("planned_stop", "momentary_failure", "self_determined_rm", "technical_failure", "safety_stop")
CALL = {"at_rep": 5, "reps_left": 1.5}


def rounded(shown: Any) -> Any:
    """Return data with nine digits: the last ones of a logarithm are the machine's."""
    if isinstance(shown, dict):
        return {name: rounded(value) for name, value in shown.items()}
    if isinstance(shown, list | tuple):
        return [rounded(value) for value in shown]
    return float(f"{shown:.9g}") if isinstance(shown, float) else shown


def test_the_same_sets_leave_the_same_rows_as_long_as_their_number_is_the_same() -> None:
    """Who folds otherwise raises `ROWS`: then every lifter's rows are made anew from the sets."""
    policy = load_policies().get("2026-11-26")
    exercises = ("barbell_bench_press", "barbell_back_squat", "cable_triceps_pushdown")
    sets = [
        performed(
            at(3.5 * (place // 4), seconds=240 * (place % 4)),
            place + 1,
            exercise=exercise,
            load_kg=60 + 2.5 * (place % 4),
            reps=6 + place % 7,
            set_endpoint=end,
            reported_rir=place % 4,
            prescribed_rir=2,
            rir_call=CALL if place % 2 else None,
            set_order=1 + place % 3,
        )
        for place, (end, exercise, _) in enumerate(product(ENDS, exercises, range(2)))
    ]
    numbers = load_learning(policy)
    rows = msgspec.to_builtins(learn_all(sets, policy, numbers))
    found = hashlib.sha256(msgspec.json.encode(rounded(rows), order="sorted")).hexdigest()[:16]
    assert LEARNED.get(f"{ROWS} {numbers.version}") == found
