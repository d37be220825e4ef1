"""Answers as columns: targets and ranges, decision, ledger, cautions, policy."""

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import replace

from service.bulk.axes import CAUTIONS, DELOADS, GOALS, neutral_facts
from service.bulk.evaluate import evaluated
from service.bulk.framing import told_cautions
from service.bulk.ledger import bits_of, entries_of, told_entries, write_effects
from service.bulk.rows import Rows, pieces
from service.bulk.sixteenths import Array
from service.bulk.tables import PolicyTables, tables_of
from service.policy.catalogue import Policies
from service.rules.answer import Prescription
from service.rules.notes import UNDER_BAR_UNSPOTTED, caution_notes

ROW, TEXTS = "row", "reason_texts"
EFFECT = "effect_reps_"
DECISIONS = ("prescribe", "withhold")


class Answers(Struct, frozen=True, kw_only=True):
    """Answers to many rows. Arrays are written to where a row is answered by itself afterwards.

    `target`, `low`, `high` [repetitions] are NaN where withheld is true, `reported` too where no bias is told.
    `entries` are bits of the ledger's entries, `effects` [repetitions] by entry; `cautions` is twice the bits of the
    cautions, plus one under an unspotted bar.
    """

    withheld: Array
    target: Array
    low: Array
    high: Array
    reported: Array | None
    entries: Array
    effects: dict[str, Array]
    cautions: Array


def empty_answers(rows: int, names: Iterable[str], *, biased: bool) -> Answers:
    """Return room for the answers to so many rows."""

    def reps() -> Array:
        return np.empty(rows, np.float32)

    return Answers(
        withheld=np.zeros(rows, np.bool_),
        target=reps(),
        low=reps(),
        high=reps(),
        reported=reps() if biased else None,
        entries=np.empty(rows, np.uint32),
        effects={name: reps() for name in names},
        cautions=np.zeros(rows, np.uint16),
    )


def _reported(target: Array, least: Array, bias: Array, step: float) -> Array:
    """What the lifter should say [repetitions], as `reported_reserve` has it for one."""
    said = np.floor((target.astype(np.float64) - bias) / step + 0.5) * step
    found: Array = np.maximum(np.maximum(said, 0.0), np.ceil(least))
    return found


def answers_to(rows: Rows, bias: Array | None, tables: PolicyTables) -> Answers:
    """Return the answers to checked rows; `bias` is the mean reporting bias [repetitions], NaN where none is told."""
    entries, settling = entries_of(tables), tables.framing.settling
    found = empty_answers(len(rows.rep_target), entries.names, biased=bias is not None)
    ends = {
        name: np.array([getattr(each, name) for each in settling.ranges], np.float32)
        for name in ("target", "low", "high")
    }
    step = tables.policy.data.limits.rounding_step_reps
    for start, piece in pieces(rows):
        standing, end = evaluated(piece, tables), start + len(piece.rep_target)
        for name, values in ends.items():
            values.take(standing.range_at, out=getattr(found, name)[start:end])
        found.entries[start:end] = bits_of(standing, entries)
        write_effects(standing, tables, {name: each[start:end] for name, each in found.effects.items()})
        unspotted = standing.frame // np.uint16(len(DELOADS) * len(GOALS)) & np.uint16(1)
        found.cautions[start:end] = unspotted
        if piece.cautions is not None:
            found.cautions[start:end] += np.uint16(2) * piece.cautions
        if found.reported is not None and bias is not None:
            least = tables.framing.least.take(standing.frame)
            found.reported[start:end] = _reported(found.target[start:end], least, bias[start:end], step)
        if standing.withheld is not None:
            found.withheld[start:end] = standing.withheld
    _withhold(found)
    return found


def _withhold(found: Answers) -> None:
    if found.withheld.any():
        for values in (found.target, found.low, found.high, found.reported):
            if values is not None:
                values[found.withheld] = np.nan


def put(found: Answers, at: int, answer: Prescription, tables: PolicyTables) -> None:
    """Put the answer to one row, as `prescribe` gave it, in its place."""
    entries, reserve = entries_of(tables), answer.reps_in_reserve
    found.withheld[at] = reserve is None
    for name in ("target", "low", "high"):
        getattr(found, name)[at] = np.nan if reserve is None else getattr(reserve, name)
    if found.reported is not None:
        said = answer.reported_reps_in_reserve
        found.reported[at] = np.nan if said is None else said
    for effects in found.effects.values():
        effects[at] = 0.0
    found.entries[at] = 0
    for reason in answer.reasons:
        found.effects[reason.factor][at] = reason.effect_reps
        found.entries[at] |= entries.bit(reason.factor)
    codes = [note.code for note in answer.cautions]
    bits = sum(1 << place for place, code in enumerate(CAUTIONS) if code in codes)
    found.cautions[at] = 2 * bits + (UNDER_BAR_UNSPOTTED in codes)


@lru_cache(maxsize=16)
def _caution_texts(tables: PolicyTables) -> pa.Array:
    facts, texts = neutral_facts(tables.policy.data), []
    for code in range(2 << len(CAUTIONS)):
        told = replace(facts, cautions=told_cautions(code >> 1), under_bar=bool(code & 1))
        texts.append(" ".join(note.code for note in caution_notes(told, tables.policy)))
    return pa.array(texts)


def _reasons(bits: Array, tables: PolicyTables) -> pa.Array:
    coded = pa.array(bits).dictionary_encode()
    names = entries_of(tables).names
    texts = [told_entries(names, each) for each in coded.dictionary.to_pylist()]
    return pa.DictionaryArray.from_arrays(coded.indices, pa.array(texts, pa.string()))


def _constant(text: str, rows: int) -> pa.Array:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int8)), pa.array([text]))


def _number(values: Array, absent: Array | None) -> pa.Array:
    return pa.array(values) if absent is None else pa.array(values, mask=absent)


def effect_names(policies: Policies) -> tuple[str, ...]:
    """Return the entries a ledger may have in any version: those of the newest, in order, then what older ones had."""
    names = (name for policy in reversed(policies.versions) for name in entries_of(tables_of(policy)).names)
    return tuple(dict.fromkeys(names))


def answer_names(policies: Policies) -> tuple[str, ...]:
    """Return the names of all columns an answer can have."""
    effects = (f"{EFFECT}{name}" for name in effect_names(policies))
    return (ROW, "decision", "target", "low", "high", "reported", "reasons", *effects, TEXTS)


def answer_columns(found: Answers, tables: PolicyTables, names: Iterable[str]) -> dict[str, pa.Array]:
    """Return the answers as Arrow columns by name; of `names`, effects that this policy does not have are 0."""
    absent = found.withheld if found.withheld.any() else None
    said: dict[str, pa.Array] = {}
    if found.reported is not None:
        said["reported"] = _number(found.reported, np.isnan(found.reported))
    none = np.zeros(len(found.target), np.float32)
    return {
        "decision": pa.DictionaryArray.from_arrays(
            pa.array(found.withheld.astype(np.int8)), pa.array(DECISIONS)
        ),
        **{name: _number(getattr(found, name), absent) for name in ("target", "low", "high")},
        **said,
        "reasons": _reasons(found.entries, tables),
        **{f"{EFFECT}{name}": pa.array(found.effects.get(name, none)) for name in names},
        "cautions": pa.DictionaryArray.from_arrays(
            pa.array(found.cautions.astype(np.int16)), _caution_texts(tables)
        ),
        "policy": _constant(tables.policy.version, len(found.target)),
    }
