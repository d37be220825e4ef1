"""A lifter, and the rows of what is known that were asked for, in one round trip: the read behind most prescriptions.

It goes to the driver itself, with one statement: what SQLAlchemy does around a statement, and what a transaction of
four statements does around one read, cost five times the read. The pool and the schema stay SQLAlchemy's, the
meaning is that of `find_lifter` and `load_known` within one `reading_within`, and the tests hold it to that.
"""

import sqlite3
from collections.abc import Collection, Sequence
from datetime import UTC, datetime
from json import dumps
from typing import Any

from msgspec import Struct
from sqlalchemy.util import greenlet_spawn

from service.storage.engine import Store
from service.storage.failures import translated, translated_driver
from service.storage.lifters import LifterRow, find_lifter
from service.storage.sqlite import InlineReader
from service.storage.summaries import Summary, kinds_and_keys, load_known, summary_of
from service.storage.tenancy import Reach, bound_to, reading_within

_COLUMNS = "l.experience, l.goal, l.cautions, l.site, l.created_at, l.updated_at, l.version, s.kind, s.key, s.content"
_OF_LIFTER = 7  # columns of the lifter, before those of a row of what is known

# `OFFSET 0` keeps the planner from turning the order round: whose rows may be shown is settled first, row-level
# security asks for it in what stands below. In the other order nothing would be found, never too much.
_POSTGRESQL = f"""
WITH entered AS MATERIALIZED (
  SELECT set_config('app.tenant_id', $1, true)::uuid AS tenant_id, set_config('app.sites', $2, true) AS bound_to
)
SELECT {_COLUMNS}
FROM entered
CROSS JOIN LATERAL (
  SELECT * FROM lifters
  WHERE lifters.tenant_id = entered.tenant_id AND lifters.lifter_id = $3
  AND (entered.bound_to = '' OR lifters.site = ANY (string_to_array(entered.bound_to, E'\\n')))
  OFFSET 0
) AS l
LEFT JOIN LATERAL (
  SELECT * FROM summaries
  WHERE summaries.tenant_id = l.tenant_id AND summaries.lifter_id = l.lifter_id
  AND summaries.kind = ANY ($4::text[]) AND summaries.key = ANY ($5::text[])
  OFFSET 0
) AS s ON true
"""  # noqa: S608 - our own columns

_SQLITE = f"""
SELECT {_COLUMNS}
FROM lifters AS l
LEFT JOIN summaries AS s
ON s.tenant_id = l.tenant_id AND s.lifter_id = l.lifter_id
AND s.kind IN (SELECT value FROM json_each(?)) AND s.key IN (SELECT value FROM json_each(?))
WHERE l.tenant_id = ? AND l.lifter_id = ? AND (? OR l.site IN (SELECT value FROM json_each(?)))
"""  # noqa: S608 - our own columns


class Recalled(Struct, frozen=True):
    """The lifter, None when unknown or beyond reach, and what is known, as `load_known` says it."""

    lifter: LifterRow | None
    summary: Summary


async def recall(
    store: Store, reach: Reach, lifter_id: str, *, exercises: Collection[str], muscles: Collection[str]
) -> Recalled:
    """The lifter and, of what is known, the lifter's own row and those named. Raises StorageUnavailable."""
    kinds, keys = kinds_and_keys({"exercise": exercises, "muscle": muscles})
    if store.inline is None:
        rows = await _from_server(store, reach, lifter_id, kinds, keys)
    else:
        try:
            rows = _from_file(store.inline, reach, lifter_id, kinds, keys)
        except sqlite3.Error:
            # Locked, not migrated, broken: the usual way waits as long as it may, and says what is wrong.
            return await _unhurried(store, reach, lifter_id, exercises, muscles)
    if not rows:
        return Recalled(None, summary_of([], exercises=exercises, muscles=muscles, weeks=()))
    known = [row[_OF_LIFTER:] for row in rows if row[_OF_LIFTER] is not None]
    summary = summary_of(known, exercises=exercises, muscles=muscles, weeks=())
    return Recalled(_lifter(lifter_id, rows[0]), summary)


async def _from_server(
    store: Store, reach: Reach, lifter_id: str, kinds: list[str], keys: list[str]
) -> Sequence[Sequence[Any]]:
    with translated(), translated_driver():
        # As `AsyncConnection` does it, without the transaction and the task that ends it.
        pooled = await store.writers.raw_connection()
        try:
            driver: Any = pooled.driver_connection
            found: Sequence[Sequence[Any]] = await driver.fetch(
                _POSTGRESQL, str(reach.tenant_id), bound_to(reach.sites), lifter_id, kinds, keys
            )
            return found
        finally:
            await greenlet_spawn(pooled.close)


def _from_file(
    inline: InlineReader, reach: Reach, lifter_id: str, kinds: list[str], keys: list[str]
) -> Sequence[Sequence[Any]]:
    sites = dumps(sorted(reach.sites or ()))
    told = (dumps(kinds), dumps(keys), reach.tenant_id.hex, lifter_id, reach.sites is None, sites)
    return inline.fetch(_SQLITE, told)


async def _unhurried(
    store: Store, reach: Reach, lifter_id: str, exercises: Collection[str], muscles: Collection[str]
) -> Recalled:
    async with reading_within(store, reach) as r:
        lifter = await find_lifter(r, reach.tenant_id, lifter_id)
        summary = await load_known(
            r, reach.tenant_id, lifter_id, exercises=exercises, muscles=muscles, weeks=()
        )
        return Recalled(lifter, summary)


def _lifter(lifter_id: str, row: Sequence[Any]) -> LifterRow:
    experience, goal, cautions, site, created_at, updated_at, version = row[:_OF_LIFTER]
    return LifterRow(
        lifter_id=lifter_id,
        experience=experience,
        goal=goal,
        cautions=tuple(cautions.split()),
        site=site,
        created_at=_instant(created_at),
        updated_at=_instant(updated_at),
        version=version,
    )


def _instant(stored: datetime | str) -> datetime:
    # SQLite keeps instants as text, in UTC (`schema.UtcDateTime`).
    return datetime.fromisoformat(stored).replace(tzinfo=UTC) if isinstance(stored, str) else stored
