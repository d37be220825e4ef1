"""Writers who share a commit, cancelled at any moment: what each was told holds, and nobody else is harmed."""

import asyncio
from itertools import count
from typing import Any, NamedTuple
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import event

from service.storage import group_commit
from service.storage.engine import Store, close_store, open_store
from tests.storage.interleaving import CancelledAt
from tests.storage.writers_in_line import add, in_one_line, rows_of, stored


@pytest.mark.parametrize("behind", [[], ["behind"]], ids=["the last", "amid"])
async def test_cancelled_as_its_turn_comes_it_hands_the_turn_on(
    sqlite_store: Store, sqlite_url: str, behind: list[str]
) -> None:
    """To who stands behind, or to the commit for which the one before waits."""
    victims: list[asyncio.Task[Any] | None] = []

    async def victim() -> None:
        victims.append(asyncio.current_task())
        await add(sqlite_store, "victim")

    async def cancel_in_time() -> None:
        if sqlite_store.line is not None and victims[0] is not None:
            cancel = victims[0].cancel
            sqlite_store.line._line[0].add_done_callback(lambda _: cancel())

    ends = await in_one_line(
        sqlite_store, victim(), cancel_in_time(), *(add(sqlite_store, name) for name in behind)
    )
    assert [type(end) for end in ends[:3]] == [type(None), asyncio.CancelledError, type(None)]
    assert stored(sqlite_url) == rows_of("head", "after", *behind)


class Plan(NamedTuple):
    """What becomes of one writer: it fails; it is cancelled so many times, so long after a suspension (0: never)."""

    fails: bool = False
    step: int = 0
    ticks: int = 0
    times: int = 1


def outcomes(url: str, runner: asyncio.Runner, opened: Store, plans: list[Plan], run: str) -> list[bool]:
    """Whether each was told that it is stored, after a look whether that is so."""

    async def go() -> list[BaseException | None]:
        works = (
            CancelledAt(add(opened, f"{run}-{n}", fails=plan.fails), plan.step, plan.ticks, plan.times)
            for n, plan in enumerate(plans)
        )

        async with asyncio.timeout(30):
            ends = await asyncio.gather(*works, return_exceptions=True)
            await add(opened, f"{run}-after")
        return ends

    ends = runner.run(go())
    for end, plan in zip(ends, plans, strict=True):
        allowed = {type(None)} | ({KeyError} if plan.fails else set())
        assert type(end) in allowed | ({asyncio.CancelledError} if plan.step else set())
        assert not (plan.fails and end is None)
    kept = [f"{run}-{n}" for n, end in enumerate(ends) if end is None]
    assert [name for name in stored(url) if name.startswith(f"{run}-")] == rows_of(*kept, f"{run}-after")
    return [end is None for end in ends]


@pytest.mark.parametrize("victim", range(3))
@pytest.mark.parametrize(("ticks", "times"), [(0, 1), (1, 1), (0, 2)], ids=str)
def test_cancelled_at_every_single_suspension(sqlite_url: str, victim: int, ticks: int, times: int) -> None:
    """Once or twice, the first, the one amid, the last of three: what it is told holds, and the others are stored."""
    opened, connections = open_store(sqlite_url), count()
    event.listen(opened.writers.sync_engine, "connect", lambda *_: next(connections))
    told: list[bool] = []
    with asyncio.Runner() as runner:
        for step in range(1, 61):
            victims = Plan(step=step, ticks=ticks, times=times)
            plans = [victims if n == victim else Plan() for n in range(3)]
            told.append(outcomes(sqlite_url, runner, opened, plans, f"s{step:02}")[victim])
            if told[-8:] == [True] * 8:
                break
        runner.run(close_store(opened))
    assert told[0] is False
    assert told[-1] is True
    assert next(connections) == 1, "one connection served all"


def test_any_interleaving_keeps_every_promise(sqlite_url: str) -> None:
    """Up to six writers who fail and are cancelled at random moments, in groups of up to three."""
    opened, runs = open_store(sqlite_url), count()
    plan = st.builds(
        Plan, fails=st.booleans(), step=st.integers(0, 30), ticks=st.integers(0, 4), times=st.integers(1, 3)
    )
    with asyncio.Runner() as runner, patch.object(group_commit, "MOST_TURNS", 3):

        @settings(max_examples=60, deadline=None)
        @given(st.lists(plan, min_size=2, max_size=6))
        def hold(plans: list[Plan]) -> None:
            outcomes(sqlite_url, runner, opened, plans, f"r{next(runs)}")

        hold()
        runner.run(close_store(opened))
