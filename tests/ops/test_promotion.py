"""The primary dies and its standby takes over: nothing acknowledged is lost, and the service finds the new primary."""

import asyncio
import random
from pathlib import Path

from tests.ops.aftermath import LOAD_SECONDS, TOLD, assert_nothing_lost
from tests.ops.clients import training
from tests.ops.cluster import (
    DATABASE,
    crash,
    crash_and_start,
    durable_postgres,
    follow_synchronously,
    promote,
    standby_of,
    wait_for,
)
from tests.ops.replicas import replica
from tests.ops.verdict import examined
from tests.ops.wire import wire_to
from tests.postgres import OWNER, PostgresServer


def either(primary: PostgresServer, standby: PostgresServer) -> str:
    """Return the URL that finds whichever of the two takes writes."""
    hosts = f"host=127.0.0.1:{primary.port}&host=127.0.0.1:{standby.port}"
    return f"postgresql://{OWNER}@/{DATABASE}?{hosts}&target_session_attrs=read-write"


async def test_promotion_after_synchronous_replication_loses_nothing(tmp_path: Path) -> None:
    """The service runs on, without a restart, on the standby that has become the primary."""
    with durable_postgres() as primary, standby_of(primary) as standby:
        follow_synchronously(primary)
        with replica(either(primary, standby), tmp_path) as one:
            async with training(one.address, primary.url(DATABASE), tmp_path) as load:
                await load.going_on(LOAD_SECONDS)
                await asyncio.to_thread(crash, primary)
            await asyncio.to_thread(promote, standby)
            verdict = await assert_nothing_lost(
                load, standby.url(DATABASE), told="primary killed, synchronous standby promoted"
            )
        assert verdict.acknowledged > 0


async def test_control_promotion_of_a_standby_that_lags_loses_sets(tmp_path: Path) -> None:
    """Asynchronous replication over a wire that stalls: what was acknowledged meanwhile is gone, and this is seen."""
    with (
        durable_postgres() as primary,
        wire_to(primary.port) as wire,
        standby_of(primary, source_port=wire.port) as standby,
        replica(either(primary, standby), tmp_path) as one,
    ):
        async with training(one.address, primary.url(DATABASE), tmp_path) as load:
            await asyncio.to_thread(wait_for, standby, "SELECT 1 / (count(*) / 2) FROM api_keys", DATABASE)
            wire.hold()
            await load.going_on(LOAD_SECONDS)
            await asyncio.to_thread(crash, primary)
        await asyncio.to_thread(promote, standby)
        verdict = await examined(standby.url(DATABASE), load.journal.read())
    assert verdict.lost > 0
    TOLD.append(
        f"control, asynchronous standby: {verdict.lost} of {verdict.acknowledged} acknowledged sets lost"
    )


async def test_replayed_answer_is_as_safe_as_the_first(tmp_path: Path) -> None:
    """Commits that wait for the standby become visible when the primary restarts: telling of them has to wait too.

    The standby hears nothing. A request is stored on the primary only, which crashes and starts again. Who asks again
    now must not be told "stored" while the standby may still be promoted without it.
    """
    with (
        durable_postgres() as primary,
        wire_to(primary.port) as wire,
        standby_of(primary, source_port=wire.port) as standby,
    ):
        follow_synchronously(primary)
        with replica(primary.url(DATABASE), tmp_path) as one:
            async with training(
                one.address, primary.url(DATABASE), tmp_path, apps=0, timeout_seconds=6
            ) as load:
                sent = load.next_request("harbour-street-gym", 1, random.Random(1))
                async with load.client(sent.tenant) as client:
                    await client.get("/v1/lifters/nobody")  # the key is known from here on
                    wire.hold()
                    load.journal.write(sent)
                    assert await load.attempt(client, sent) is None
                    await asyncio.to_thread(crash_and_start, primary)
                    assert (await examined(primary.url(DATABASE), load.journal.read())).stored > 0
                    again = await load.attempt(client, sent)
            assert again is None, "told as stored, and lost with the primary"
            wire.cut()
            wire.release()
            async with load.client(sent.tenant) as client:
                await load.settle(client, sent, until=lambda: False)
        await asyncio.to_thread(crash, primary)
        await asyncio.to_thread(promote, standby)
        verdict = await examined(standby.url(DATABASE), load.journal.read())
    assert verdict.faults == ()
    assert verdict.acknowledged == verdict.stored > 0
