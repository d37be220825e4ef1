"""What was learned from a lifter's sets, kept as small rows so that no request has to read the sets again.

Everything here can be computed anew from the sets. Who writes holds the lifter (`lifters.lock_lifter`) and saves in
the transaction that stores the sets.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal
from uuid import UUID

from msgspec import DecodeError, Struct, msgpack
from sqlalchemy import ColumnElement, and_, delete, or_, select

from service.rules.learning.known import ExerciseKnown, Known, LifterKnown, MuscleKnown, WeekKnown
from service.storage.engine import Reading, Writing
from service.storage.rows import fetch, insert_rows, listed, one_of, stored
from service.storage.schema import summaries
from service.storage.tenancy import of_seen_lifter

Kind = Literal["lifter", "exercise", "muscle", "week", "stamp"]

# Of the kinds there is one of per lifter.
ONLY = ""
_COLUMNS = (summaries.c.kind, summaries.c.key, summaries.c.content)
_ROWS: dict[str, msgpack.Decoder[Any]] = {
    "lifter": msgpack.Decoder(LifterKnown),
    "exercise": msgpack.Decoder(ExerciseKnown),
    "muscle": msgpack.Decoder(MuscleKnown),
    "week": msgpack.Decoder(WeekKnown),
    "stamp": msgpack.Decoder(str),
}


class Summary(Struct, frozen=True, kw_only=True):
    """What is known of a lifter, or a part of it, and the `stamp` it was saved under.

    The stamp names what the rows were made with. It is None when nothing is saved or a row cannot be read, which
    another release may have written: then `known` is empty, and has to be made from the sets.
    """

    known: Known
    stamp: str | None


async def load_known(
    session: Reading | Writing,
    tenant_id: UUID,
    lifter_id: str,
    *,
    exercises: Collection[str] | None,
    muscles: Collection[str] | None,
    weeks: Collection[str] | None,
) -> Summary:
    """What is saved of the lifter: always the lifter's own row, of the others those named, or all for None.

    Weeks are ISO weeks, `2026-W48`. One SELECT, by key. Raises StorageUnavailable.
    """
    wanted: dict[str, Collection[str] | None] = {"exercise": exercises, "muscle": muscles, "week": weeks}
    if None in wanted.values() or session.sites is not None:
        found: Iterable[Sequence[Any]] = await session.execute(
            select(*_COLUMNS).where(_of(session, tenant_id, lifter_id), _among(wanted))
        )
    else:
        kinds, keys = kinds_and_keys(wanted)
        told = [stored(session, summaries.c.tenant_id, tenant_id), lifter_id]
        statement = (
            "SELECT kind, key, content FROM summaries WHERE tenant_id = $1 AND lifter_id = $2 "  # noqa: S608 - nothing of a caller's
            f"AND kind {one_of(session, 3)} AND key {one_of(session, 4)}"
        )
        found = await fetch(
            session, statement, [*told, listed(session, kinds), listed(session, keys)], _COLUMNS
        )
    return summary_of(found, exercises=exercises, muscles=muscles, weeks=weeks)


def summary_of(
    rows: Iterable[Sequence[Any]],
    *,
    exercises: Collection[str] | None,
    muscles: Collection[str] | None,
    weeks: Collection[str] | None,
) -> Summary:
    """What rows of (kind, key, content) say, of which those not named, None naming all, are left out."""
    read: dict[str, dict[str, Any]] = {kind: {} for kind in _ROWS}
    try:
        for kind, key, content in rows:
            read[kind][key] = _ROWS[kind].decode(content)
    except (DecodeError, UnicodeDecodeError):
        return Summary(known=Known(), stamp=None)
    if ONLY not in read["stamp"]:
        return Summary(known=Known(), stamp=None)
    known = Known(
        lifter=read["lifter"].get(ONLY, LifterKnown()),
        exercises=_named(read["exercise"], exercises),
        muscles=_named(read["muscle"], muscles),
        weeks=_named(read["week"], weeks),
    )
    return Summary(known=known, stamp=read["stamp"][ONLY])


async def save_known(w: Writing, tenant_id: UUID, lifter_id: str, summary: Summary) -> None:
    """Saves every row of the summary, new or in place of the one there; other rows stay.

    So a new stamp comes with all rows, after `drop_known`. One statement. Raises StorageUnavailable, and ValueError
    for a summary without a stamp.
    """
    if summary.stamp is None:
        raise ValueError("a saved summary tells what it was made with")
    rows = [
        {
            "tenant_id": tenant_id,
            "lifter_id": lifter_id,
            "kind": kind,
            "key": key,
            "content": msgpack.encode(content),
        }
        for kind, key, content in sorted(_rows(summary.known, summary.stamp), key=lambda row: row[:2])
    ]
    await insert_rows(w, summaries, rows, on_conflict="replace")


async def drop_known(w: Writing, tenant_id: UUID, lifter_id: str) -> None:
    """Deletes all that is saved, before it is saved anew from the sets. Raises StorageUnavailable."""
    await w.execute(delete(summaries).where(_of(w, tenant_id, lifter_id)))


def _rows(known: Known, stamp: str) -> Iterator[tuple[Kind, str, object]]:
    yield "lifter", ONLY, known.lifter
    yield "stamp", ONLY, stamp
    for exercise, exercise_known in known.exercises.items():
        yield "exercise", exercise, exercise_known
    for muscle, muscle_known in known.muscles.items():
        yield "muscle", muscle, muscle_known
    for week, week_known in known.weeks.items():
        yield "week", week, week_known


def _named(rows: dict[str, Any], wanted: Collection[str] | None) -> dict[str, Any]:
    return rows if wanted is None else {key: row for key, row in rows.items() if key in wanted}


def _of(session: Reading | Writing, tenant_id: UUID, lifter_id: str) -> ColumnElement[bool]:
    return and_(
        summaries.c.tenant_id == tenant_id,
        summaries.c.lifter_id == lifter_id,
        of_seen_lifter(session, tenant_id, lifter_id),
    )


def kinds_and_keys(wanted: Mapping[str, Collection[str] | None]) -> tuple[list[str], list[str]]:
    """Kinds and keys to look for, the lifter's own row among them; kinds of which all are wanted have no keys."""
    # In one list each, not pair by pair: an index can be searched with two lists at once. What two kinds of the same
    # name bring too much is left out afterwards.
    some = {kind: keys for kind, keys in wanted.items() if keys}
    return ["lifter", "stamp", *some], sorted({ONLY}.union(*(keys or () for keys in some.values())))


def _among(wanted: dict[str, Collection[str] | None]) -> ColumnElement[bool]:
    kinds, keys = kinds_and_keys(wanted)
    whole = [kind for kind, named in wanted.items() if named is None]
    among = and_(summaries.c.kind.in_(kinds), summaries.c.key.in_(keys))
    return or_(among, summaries.c.kind.in_(whole)) if whole else among
