"""The ledger of many rows: one column of effects for each entry, and which entries there are, as bits."""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from service.bulk.evaluate import Standing
from service.bulk.sixteenths import Array
from service.bulk.tables import PolicyTables
from service.rules.curves import STEPS_PER_REP

DISCOUNT, WINDOW, FLOOR, ROUNDING = "discount_limit", "rep_band_window", "safety_floor", "rounding"
_REPS = np.float32(1 / STEPS_PER_REP)


class Entries(NamedTuple):
    """Names of the ledger's entries in its order, and the bits that settling a sum tells of, by `settled_at`."""

    names: tuple[str, ...]
    settled_bits: Array

    def bit(self, name: str) -> int:
        """Return the bit of one entry."""
        return 1 << self.names.index(name)


@lru_cache(maxsize=1 << 16)
def told_entries(names: tuple[str, ...], bits: int) -> str:
    """Return the names whose bits are set, in order, with spaces."""
    return " ".join(name for place, name in enumerate(names) if bits >> place & 1)


@lru_cache(maxsize=16)
def entries_of(tables: PolicyTables) -> Entries:
    """Return the ledger's entries in the order `prescribe` gives them."""
    policy, settling = tables.policy, tables.framing.settling
    after = tuple(factor.name for factor in policy.after_window)
    names = (*(factor.name for factor in policy.summed), DISCOUNT, WINDOW, *after, FLOOR, ROUNDING)
    bits = np.zeros(len(settling.range_at), np.uint32)
    told = zip(
        (*after, FLOOR, ROUNDING), (*settling.shifts, settling.floor_told, settling.rounding), strict=True
    )
    for name, effects in told:
        bits |= (effects != 0).astype(np.uint32) << np.uint32(names.index(name))
    return Entries(names, bits)


def bits_of(standing: Standing, entries: Entries) -> Array:
    """Return which entries each row of a piece has."""
    bits = standing.told.astype(np.uint32)
    bits |= (standing.held != 0).astype(np.uint32) << np.uint32(entries.names.index(WINDOW))
    if standing.back is not None:
        bits |= (standing.back != 0).astype(np.uint32) << np.uint32(entries.names.index(DISCOUNT))
    bits |= entries.settled_bits.take(standing.settled_at)
    if standing.withheld is not None:
        bits[standing.withheld] = entries.bit(FLOOR)
    return bits


def write_effects(standing: Standing, tables: PolicyTables, out: dict[str, Array]) -> None:
    """Write the effects [repetitions] of a piece into `out`, arrays of float32 by entry; 0 where there is none."""
    policy, settling = tables.policy, tables.framing.settling
    names = [factor.name for factor in policy.summed]
    for place, effects in tables.categorical.effect_reps.items():
        effects.take(standing.categories, out=out[names[place]])
    for curve in tables.curves:
        out[names[curve.place]][:] = curve.effect_reps.take(standing.stairs[curve.place])
    for place, effect in standing.grid_effects.items():
        np.multiply(effect, _REPS, out=out[names[place]])
    np.multiply(standing.held, _REPS, out=out[WINDOW])
    np.multiply(0 if standing.back is None else standing.back, _REPS, out=out[DISCOUNT])
    for factor, shift in zip(policy.after_window, settling.shifts, strict=True):
        shift.take(standing.settled_at, out=out[factor.name])
    settling.raised.take(standing.settled_at, out=out[FLOOR])
    settling.rounding.take(standing.settled_at, out=out[ROUNDING])
    if standing.withheld is not None:
        for effects in out.values():
            effects[standing.withheld] = 0.0
