"""After a fault, once the service is back: nothing acknowledged is lost, and trying again does no harm."""

import os

from tests.ops.clients import Load
from tests.ops.verdict import Verdict, examined

# By hand: more kills, more load. In the usual run of the tests: as many as show the point.
LONG = os.environ.get("EFFORT_OPS_LONG", "") not in ("", "0")
KILLS = 8 if LONG else 2
LOAD_SECONDS = 4.0 if LONG else 1.0

# Figures of this run, printed at the end of it.
TOLD: list[str] = []


async def assert_nothing_lost(load: Load, database_url: str, *, told: str) -> Verdict:
    """Judge what is stored before anybody tries again, then after all unknown requests, then after all over again.

    The load has stopped and the service answers. Raises AssertionError. `told` names the fault in the figures.
    """
    before = await examined(database_url, load.journal.read())
    assert before.faults == ()
    assert load.leaks == []
    assert load.unexpected == []
    await load.settle_all()
    settled = await examined(database_url, load.journal.read())
    assert settled.faults == ()
    assert settled.stored == settled.acknowledged
    first = {each.sent.number: each.answers[0].body for each in load.journal.read()}
    assert await load.replay_all() == first
    after = await examined(database_url, load.journal.read())
    assert (after.faults, after.stored) == ((), settled.stored)
    assert load.unexpected == []
    TOLD.append(
        f"{told}: {before.acknowledged} acknowledged sets, {before.lost} lost; {before.unknown} of unknown fate, "
        f"stored wholly or not at all; answers {dict(sorted(load.seen.items()))}"
    )
    return before
