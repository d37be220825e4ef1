"""One chunk of the input: every row answered or refused with reasons, none lost."""

from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct

from service.bulk.answers import (
    ROW,
    TEXTS,
    Answers,
    answer_columns,
    answers_to,
    effect_names,
    put,
)
from service.bulk.columns import Columns, Doubts, bias_of, rows_of
from service.bulk.members import BIASES, Layout, flattened
from service.bulk.singly import context_at, prescribed_at, refused_line
from service.bulk.sixteenths import Array
from service.bulk.tables import PolicyTables, tables_of
from service.bulk.work import Chunk
from service.errors import InputRefused
from service.policy.catalogue import Policies, load_policies
from service.rules.compiled import Policy


class Wanted(Struct, frozen=True, kw_only=True):
    """How to answer: what the columns are, the policy of rows that pin none, whether texts are told."""

    layout: Layout
    policy: str
    texts: bool


@lru_cache(maxsize=1)
def policies() -> Policies:
    """Return all released policies, read once a process."""
    return load_policies()


def known_digests() -> dict[str, str]:
    """Return the digest of every policy version: equal digests answer alike."""
    return {policy.version: policy.ref.digest for policy in policies().versions}


def _by_policy(columns: Columns, rows: int, version: str) -> list[tuple[Policy, Array | None]]:
    """Return each policy that rows ask for, and which rows; None for all. Unknown ones stay with `version`."""
    default, pinned = policies().get(version), columns.get("policy")
    if pinned is None or pinned.null_count == rows:
        return [(default, None)]
    found, left = [], np.ones(rows, np.bool_)
    for policy in policies().versions:
        if policy is not default:
            mask: Array = pc.equal(pinned, policy.version).fill_null(False).to_numpy(zero_copy_only=False)
            if mask.any():
                found.append((policy, mask))
                left &= ~mask
    return [(default, left if found else None), *found]


def _doubt_policy(columns: Columns, tables: PolicyTables, doubts: Doubts) -> None:
    pinned = columns.get("policy")
    if pinned is not None:
        other = pc.not_equal(pinned, tables.policy.version).fill_null(False)
        doubts.add(other.to_numpy(zero_copy_only=False))


def _answer_singly(
    found: Answers,
    columns: Columns,
    carried: Columns,
    rows: Array,
    at: Array,
    tables: PolicyTables,
    version: str,
) -> tuple[list[bytes], Array]:
    """Answer the rows `at`, in doubt, one by one; return lines of the side file, and which rows stay."""
    lines, kept = [], np.ones(len(rows), np.bool_)
    for place in at.tolist():
        context = context_at(columns, place)
        try:
            put(found, place, prescribed_at(context, version, policies()), tables)
        except InputRefused as error:
            kept[place] = False
            lines.append(refused_line(int(rows[place]), error.faults, context, context_at(carried, place)))
    return lines, kept


def _texts(columns: Columns, kept: Array, version: str) -> pa.Array:
    told = [
        [reason.text for reason in prescribed_at(context_at(columns, place), version, policies()).reasons]
        for place in np.flatnonzero(kept).tolist()
    ]
    return pa.array(told, pa.list_(pa.string()))


def _answered(columns: Columns, carried: Columns, rows: Array, policy: Policy, wanted: Wanted) -> Chunk:
    tables, doubts = tables_of(policy), Doubts(len(rows))
    _doubt_policy(columns, tables, doubts)
    told = rows_of(columns, policy.data, tables.categorical.neutral, doubts)
    biased = any(name in BIASES for name in wanted.layout.members)
    bias = bias_of(columns, doubts) if biased else None
    if biased and bias is None:
        bias = np.full(len(rows), np.nan)
    found = answers_to(told, bias, tables)
    lines, kept = list[bytes](), np.ones(len(rows), np.bool_)
    if doubts.mask is not None:
        at = np.flatnonzero(doubts.mask)
        lines, kept = _answer_singly(found, columns, carried, rows, at, tables, wanted.policy)
    answers = answer_columns(found, tables, effect_names(policies()))
    table = pa.table({ROW: pa.array(rows), **carried, **answers})
    if not kept.all():
        table = table.filter(pa.array(kept))
    if wanted.texts:
        table = table.append_column(TEXTS, _texts(columns, kept, wanted.policy))
    return Chunk(table=table, refused=tuple(lines), withheld=int(found.withheld[kept].sum()))


def _cut(columns: Columns, mask: pa.Array) -> Columns:
    return {name: column.filter(mask) for name, column in columns.items()}


def answered(batch: pa.RecordBatch, first_row: int, wanted: Wanted) -> Chunk:
    """Return the answers to a batch whose first row is number `first_row` of the input, counted from 0."""
    flat, rows = flattened(batch), np.arange(first_row, first_row + len(batch), dtype=np.int64)
    columns: Columns = {name: flat[name] for name in wanted.layout.members}
    carried: Columns = {name: flat[name] for name in wanted.layout.carried}
    parts = []
    for policy, mask in _by_policy(columns, len(batch), wanted.policy):
        if mask is None:
            return _answered(columns, carried, rows, policy, wanted)
        chosen = pa.array(mask)
        parts.append(_answered(_cut(columns, chosen), _cut(carried, chosen), rows[mask], policy, wanted))
    table = pa.concat_tables([part.table for part in parts]).unify_dictionaries().combine_chunks()
    return Chunk(
        table=table.sort_by(ROW),
        refused=tuple(sorted((line for part in parts for line in part.refused), key=_row_of)),
        withheld=sum(part.withheld for part in parts),
    )


def _row_of(line: bytes) -> int:
    return int(line.partition(b":")[2].partition(b",")[0])
