"""What was learned, on both databases: saved, loaded whole or in part, told from what cannot be read."""

from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import update

from service.rules.learning.known import (
    ExerciseKnown,
    HourCount,
    Known,
    LifterKnown,
    MuscleKnown,
    SessionBest,
    StrengthKnown,
    WeekExercise,
    WeekKnown,
)
from service.storage.engine import Store
from service.storage.schema import summaries
from service.storage.summaries import Summary, drop_known, load_known, save_known
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.storage.history import LIFTER, add, counting, performed, tenant

STRENGTH = StrengthKnown(
    at=1_796_149_815_123_456,
    log_1rm=4.605170185988092,
    offset=-0.1,
    var_1rm=1e-17,
    var_offset=0.1 + 0.2,
    covariance=-0.0,
    sets=3,
)
BESTS = (
    SessionBest(started_at=-1, reps_by_load={"82.5": 9.5, "100": 5.0}),
    SessionBest(started_at=0, reps_by_load={}),
)
KNOWN = Known(
    lifter=LifterKnown(
        sets=20_000,
        newest_at=2**62,
        newest_id=str(UUID(int=7)),
        safety_stop_at=None,
        bias_precision=0.1,
        bias_weighted=-2 / 3,
        verified_sets=4,
    ),
    exercises={
        "leg_press": ExerciseKnown(
            sets=2, exposures=2.25, started_at=5, last_at=6, strength=STRENGTH, bests=BESTS
        ),
        "cable_fly": ExerciseKnown(),
        # An exercise and a muscle may well have the same name.
        "calves": ExerciseKnown(sets=9),
    },
    muscles={
        "quadriceps": MuscleKnown(
            started_at=1, hours=(HourCount(498_000, 1.5, 0.5), HourCount(498_001, 1, 0))
        ),
        "calves": MuscleKnown(last_at=3),
    },
    weeks={
        "2026-W48": WeekKnown(
            exercises={"leg_press": WeekExercise(sets=2, endpoints={"planned_stop": 2}, prescribed_sum=0.3)},
            muscles={"quadriceps": HourCount(0, 2.0, 1.0)},
        ),
        "2026-W49": WeekKnown(),
    },
)
SUMMARY = Summary(known=KNOWN, stamp="2026-11-25/2026-11-25")
EMPTY = Summary(known=Known(), stamp=None)


async def save(store: Store, tenant_id: UUID, summary: Summary = SUMMARY, lifter_id: str = LIFTER) -> None:
    """Saves in a transaction of its own."""
    async with tenant_writing(store, tenant_id) as w:
        await save_known(w, tenant_id, lifter_id, summary)


async def load(store: Store, tenant_id: UUID, lifter_id: str = LIFTER, **parts: Any) -> Summary:
    """What `load_known` says in a transaction of its own; everything unless told otherwise."""
    everything: dict[str, Any] = {"exercises": None, "muscles": None, "weeks": None}
    async with tenant_reading(store, tenant_id) as r:
        return await load_known(r, tenant_id, lifter_id, **(everything | parts))


async def test_nothing_is_known_of_an_unknown_lifter(store: Store) -> None:
    """Empty, and no stamp: to be made from the sets, of which there are none."""
    assert await load(store, await tenant(store)) == EMPTY


async def test_summary_comes_back_to_the_last_bit(store: Store) -> None:
    """Every row and number, as if it had just been computed."""
    tenant_id = await tenant(store)
    await save(store, tenant_id)
    loaded = await load(store, tenant_id)
    assert loaded == SUMMARY
    assert repr(loaded) == repr(await load(store, tenant_id))
    strength = loaded.known.exercises["leg_press"].strength
    assert repr(strength) == repr(STRENGTH)


@pytest.mark.parametrize("kind", ["exercises", "muscles", "weeks"])
@pytest.mark.parametrize(
    "named", [[], ["calves"], ["leg_press", "quadriceps", "2026-W48", "unknown"]], ids=str
)
async def test_only_named_rows_are_loaded(store: Store, kind: str, named: list[str]) -> None:
    """Of one kind those named, of the others all; the lifter's own row and the stamp always."""
    tenant_id = await tenant(store)
    await save(store, tenant_id)
    part: dict[str, Any] = {kind: named}
    loaded = await load(store, tenant_id, **part)
    assert loaded.stamp == SUMMARY.stamp
    assert loaded.known.lifter == KNOWN.lifter
    for each in ("exercises", "muscles", "weeks"):
        rows = getattr(KNOWN, each)
        wanted = {key: row for key, row in rows.items() if each != kind or key in named}
        assert getattr(loaded.known, each) == wanted


async def test_rows_of_one_name_are_told_apart_by_kind(store: Store) -> None:
    """Asking for an exercise does not bring the muscle of that name."""
    tenant_id = await tenant(store)
    await save(store, tenant_id)
    known = (await load(store, tenant_id, exercises=["calves"], muscles=["quadriceps"], weeks=[])).known
    assert (set(known.exercises), set(known.muscles), known.weeks) == ({"calves"}, {"quadriceps"}, {})


async def test_saving_a_part_leaves_the_rest(store: Store) -> None:
    """Rows that were changed or are new are written, the others stay."""
    tenant_id = await tenant(store)
    await save(store, tenant_id)
    part = Known(
        lifter=LifterKnown(sets=20_001),
        exercises={"leg_press": ExerciseKnown(sets=3), "barbell_row": ExerciseKnown()},
    )
    await save(store, tenant_id, Summary(known=part, stamp="newer"))
    loaded = await load(store, tenant_id)
    assert loaded.stamp == "newer"
    assert loaded.known.lifter == part.lifter
    assert loaded.known.exercises == KNOWN.exercises | part.exercises
    assert (loaded.known.muscles, loaded.known.weeks) == (KNOWN.muscles, KNOWN.weeks)


async def test_dropped_summary_is_gone(store: Store) -> None:
    """All of it, of that lifter and tenant only; the sets stay."""
    one, other = await tenant(store, "one"), await tenant(store, "other")
    await add(store, one, [performed(1)])
    for tenant_id, lifter_id in ((one, LIFTER), (one, "lifter-8"), (other, LIFTER)):
        await save(store, tenant_id, lifter_id=lifter_id)
    async with tenant_writing(store, one) as w:
        await drop_known(w, one, LIFTER)
    assert await load(store, one) == EMPTY
    assert await load(store, one, "lifter-8") == SUMMARY
    assert await load(store, other) == SUMMARY
    assert (await add(store, one, [performed(1)])).known == {UUID(int=1)}


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("exercise", b""),
        ("muscle", b"\xc1 no MessagePack"),
        ("week", b"\x80\x80"),
        ("lifter", b"\x81\xa4sets\xa1x"),
        ("stamp", b"\xa1\xff"),
    ],
)
async def test_summary_that_cannot_be_read_counts_as_none(store: Store, kind: str, content: bytes) -> None:
    """What another release wrote in another shape is made anew, not an error for the caller."""
    tenant_id = await tenant(store)
    await save(store, tenant_id)
    async with tenant_writing(store, tenant_id) as w:
        await w.execute(
            update(summaries)
            .where(summaries.c.tenant_id == tenant_id, summaries.c.kind == kind)
            .values(content=content)
        )
    assert await load(store, tenant_id) == EMPTY


async def test_summary_without_a_stamp_is_not_saved(store: Store) -> None:
    """Nobody could tell later whether it still holds."""
    tenant_id = await tenant(store)
    with pytest.raises(ValueError, match="tells what it was made with"):
        await save(store, tenant_id, Summary(known=KNOWN, stamp=None))


@pytest.mark.parametrize("weeks", [1, 1_000])
async def test_loading_costs_one_statement_and_the_rows_asked_for(store: Store, weeks: int) -> None:
    """However many weeks the lifter has trained; saving is one statement too."""
    tenant_id = await tenant(store)
    known = Known(
        exercises=KNOWN.exercises,
        muscles=KNOWN.muscles,
        weeks={f"2026-W{number:04}": WeekKnown() for number in range(weeks)},
    )
    async with tenant_writing(store, tenant_id) as w:
        with counting(w) as saving:
            await save_known(w, tenant_id, LIFTER, Summary(known=known, stamp="1"))
        with counting(w) as loading:
            await load_known(
                w, tenant_id, LIFTER, exercises=["leg_press"], muscles=["quadriceps"], weeks=["2026-W0000"]
            )
    assert saving.statements == 1
    assert (loading.statements, loading.rows) == (1, 5)
