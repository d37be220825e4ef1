"""Effects as whole sixteenths of a repetition, and curves as the places where they change by one.

Sums of whole numbers are exact in any order, so columns of small integers give what the ledger gives.
"""

from collections.abc import Callable
from itertools import pairwise
from struct import pack, unpack
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.errors import PolicyBroken
from service.rules.curves import STEPS_PER_REP, Curve, in_steps, interpolate

Array = NDArray[Any]

# Up to so many places it is quicker to compare with each than to search.
MOST_COMPARED = 32


def sixteenths(reps: float) -> int:
    """`reps` [repetitions] in sixteenths. Raises PolicyBroken for what is no whole number of them."""
    scaled = reps * STEPS_PER_REP
    if not scaled.is_integer():
        raise PolicyBroken(
            f"{reps} repetitions is no multiple of 1/{STEPS_PER_REP}: bulk cannot add it exactly"
        )
    return int(scaled)


def _ordinal(value: float) -> int:
    """Place of a float among all floats: neighbours differ by one."""
    bits: int = unpack("<q", pack("<d", value))[0]
    return bits if bits >= 0 else -(bits & 0x7FFF_FFFF_FFFF_FFFF)


def _float_at(ordinal: int) -> float:
    bits = ordinal if ordinal >= 0 else -ordinal | -0x8000_0000_0000_0000
    found: float = unpack("<d", pack("<q", bits))[0]
    return found


def _first_beyond(function: Callable[[float], float], below: float, above: float) -> float:
    """Least float in (below, above] at which a monotone `function` no longer has its value at `below`."""
    low, high, start = _ordinal(below), _ordinal(above), function(below)
    while high - low > 1:
        middle = (low + high) // 2
        if function(_float_at(middle)) == start:
            low = middle
        else:
            high = middle
    return _float_at(high)


class Steps(NamedTuple):
    """A curve as a staircase: `values[i]` [sixteenths] holds from `starts[i - 1]` up to below `starts[i]`."""

    starts: Array
    values: Array

    def stairs(self, x: Array) -> Array:
        """Return which step each of `x` stands on: an index into `values`."""
        if len(self.starts) > MOST_COMPARED:
            return np.searchsorted(self.starts, x, side="right")
        stair, beyond = np.zeros(len(x), np.uint8), np.empty(len(x), np.bool_)
        for start in self.starts:
            np.greater_equal(x, start, out=beyond)
            stair += beyond.view(np.uint8)
        return stair


def steps_of(curve: Curve) -> Steps:
    """Return the staircase of `curve`, its places exact to the last bit of a float.

    Between two points a curve is monotone in floating point too, so each step is found by halving.
    """

    def effect(x: float) -> float:
        return in_steps(interpolate(curve.xs, curve.ys, x))

    starts, values = list[float](), [sixteenths(effect(curve.xs[0]))]
    for left, right in pairwise(curve.xs):
        at = left
        while effect(at) != effect(right):
            at = _first_beyond(effect, at, right)
            starts.append(at)
            values.append(sixteenths(effect(at)))
    return Steps(np.array(starts, np.float64), np.array(values, np.int16))
