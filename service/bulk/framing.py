"""What bounds a sum, tabulated: every frame the policy knows, and what becomes of every sum in it."""

from itertools import product
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from service.bulk.axes import CAUTIONS, DELOADS, GOALS, neutral_facts
from service.bulk.sixteenths import Array, sixteenths
from service.errors import PolicyBroken
from service.rules.answer import ReserveRange
from service.rules.compiled import Frame, Policy
from service.rules.context import MOST_REPS, Caution
from service.rules.curves import STEPS_PER_REP
from service.rules.inputs import Facts
from service.rules.limits import lowest_around
from service.rules.notes import withholding

FLAGS = (False, True)
_SHIFTED_BY = frozenset({"goal", "deload"})


class Settling(NamedTuple):
    """Outcomes by `row * width + (windowed - lowest)`: place of the range, and what each step adds [repetitions]."""

    lowest: int
    width: int
    ranges: tuple[ReserveRange, ...]
    range_at: Array
    shifts: tuple[Array, ...]
    raised: Array
    floor_told: Array
    rounding: Array


class Framing(NamedTuple):
    """Frames by the code of what decides about them.

    The code is `((((band * 2 + new) * classes + caution) * 2 + unspotted) * deloads + deload) * goals + goal`.
    `bands` is by rep target, `classes` by the bits of the cautions; `row` leads into `settling`; `low` and `top` are
    in sixteenths.
    """

    bands: Array
    classes: Array
    class_count: int
    withheld: Array
    row: Array
    low: Array
    top: Array
    careful: Array
    least: Array
    settling: Settling


def told_cautions(bits: int) -> tuple[Caution, ...]:
    """Return the cautions whose bits are set, in the order of the vocabulary."""
    return tuple(caution for place, caution in enumerate(CAUTIONS) if bits >> place & 1)


def _bands(policy: Policy) -> list[int]:
    """Return by rep target which band it lies in: equal for all that windows and floors cannot tell apart."""
    limits = policy.data.limits
    ends = {window.to_reps for window in limits.windows}
    ends |= {floor.up_to_reps for floor in limits.floors if floor.up_to_reps is not None}
    return [sum(end < reps for end in ends) for reps in range(MOST_REPS + 1)]


def _first_of_each(bands: list[int]) -> list[int]:
    found: dict[int, int] = {}
    for reps, band in enumerate(bands):
        if reps:
            found.setdefault(band, reps)
    return [found[band] for band in sorted(found)]


def _unspotted(facts: Facts, unspotted: bool) -> Facts:
    return replace(facts, under_bar=unspotted, spotter=False, safety_arms=False)


def _classes(policy: Policy, reps_of_bands: list[int]) -> tuple[list[int], list[tuple[Caution, ...]]]:
    """Return the class of each set of cautions, and one set of each class: alike whatever else there is."""
    base, known = neutral_facts(policy.data), dict[object, int]()
    classes, firsts = list[int](), list[tuple[Caution, ...]]()
    for bits in range(1 << len(CAUTIONS)):
        told = told_cautions(bits)
        signature: object = None
        if withholding(told, policy) is None:
            facts = replace(base, cautions=told)
            signature = tuple(
                policy.frame(_unspotted(replace(facts, goal=goal, rep_target=reps), unspotted))
                for reps, unspotted, goal in product(reps_of_bands, FLAGS, GOALS)
            )
        if signature not in known:
            known[signature] = len(known)
            firsts.append(told)
        classes.append(known[signature])
    return classes, firsts


def _outcome(
    policy: Policy, frame: Frame, windowed: float
) -> tuple[ReserveRange, tuple[float, ...], bool, float]:
    settled = policy.settle(frame, windowed)
    raised = settled.safe - settled.windowed - sum(settled.shifts)
    told = bool(raised) or frame.least > lowest_around(policy.data.limits, settled.target)
    return settled.reserve, (*settled.shifts, raised), told, settled.target - settled.safe


def _settling(policy: Policy, frames: list[Frame]) -> Settling:
    lowest = min(sixteenths(frame.low) for frame in frames)
    width = max(sixteenths(frame.top) for frame in frames) - lowest + 1
    count = len(frames) * width
    range_at, told = np.zeros(count, np.uint16), np.zeros(count, np.bool_)
    added = np.zeros((len(policy.after_window) + 1, count), np.float32)
    rounding, ranges = np.zeros(count, np.float32), dict[ReserveRange, int]()
    for row, frame in enumerate(frames):
        for windowed in range(sixteenths(frame.low), sixteenths(frame.top) + 1):
            at = row * width + windowed - lowest
            reserve, steps, told[at], rounding[at] = _outcome(policy, frame, windowed / STEPS_PER_REP)
            range_at[at] = ranges.setdefault(reserve, len(ranges))
            added[:, at] = steps
    return Settling(lowest, width, tuple(ranges), range_at, tuple(added[:-1]), added[-1], told, rounding)


def framing_of(policy: Policy) -> Framing:
    """Return every frame of the policy, asked of the policy itself.

    Raises PolicyBroken for what cannot be tabulated.
    """
    if strange := {field for factor in policy.after_window for field in factor.fields} - _SHIFTED_BY:
        raise PolicyBroken(f"bulk knows no factor after the window that reads {', '.join(sorted(strange))}")
    bands = _bands(policy)
    reps_of_bands = _first_of_each(bands)
    classes, firsts = _classes(policy, reps_of_bands)
    base, full = neutral_facts(policy.data), policy.data.accustoming.full_exposures
    frames, rows = dict[Frame, int](), list[int]()
    for reps, new, cautions, unspotted, deload, goal in product(
        reps_of_bands, FLAGS, firsts, FLAGS, DELOADS, GOALS
    ):
        facts = replace(
            base, rep_target=reps, exposures=0.0 if new else full, cautions=cautions, deload=deload, goal=goal
        )
        rows.append(frames.setdefault(policy.frame(_unspotted(facts, unspotted)), len(frames)))
    told = list(frames)
    by_row = np.array(rows, np.intp)
    return Framing(
        bands=np.array(bands, np.uint16),
        classes=np.array(classes, np.uint16),
        class_count=len(firsts),
        withheld=np.array([withholding(told, policy) is not None for told in firsts]),
        row=by_row.astype(np.uint16),
        low=np.array([sixteenths(frame.low) for frame in told], np.int16)[by_row],
        top=np.array([sixteenths(frame.top) for frame in told], np.int16)[by_row],
        careful=np.array([frame.careful for frame in told])[by_row],
        least=np.array([frame.least for frame in told])[by_row],
        settling=_settling(policy, told),
    )
