"""`effort retain`: what was kept long enough goes, all else stays, and what was learned fits what is left."""

from datetime import timedelta
from pathlib import Path
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import func, insert, select, update

from service.api.clock import now
from service.rules.learning.fold import learn_all
from service.storage.audit import Recorded, page_of_entries
from service.storage.engine import Store
from service.storage.retention import lifters_due
from service.storage.schema import idempotency, lifters
from service.storage.tenancy import tenant_reading, tenant_writing
from tests.commands.copies import BASIS, serving, writing
from tests.commands.imports import (
    GYM,
    Done,
    ask,
    effort,
    export,
    import_json,
    lifter_line,
    open_gym,
    rows,
    set_line,
    sets_of,
    summary,
)
from tests.databases import fresh_database
from tests.serving import make_key
from tests.storage.test_erasure import traces

DAYS = 365
TODAY = now().replace(microsecond=0)
OTHER_GYM = "mill-lane-gym"


def ago(days: float) -> str:
    """An instant so many days back, as text."""
    return (TODAY - timedelta(days=days)).isoformat().replace("+00:00", "Z")


def retain(url: str, *options: str, days: int = DAYS, monkeypatch: pytest.MonkeyPatch) -> Done:
    """Run `effort retain` with sets kept for so many days."""
    monkeypatch.setenv("EFFORT_RETENTION_DAYS", str(days))
    return effort("retain", *options, url=url)


def fill(url: str) -> str:
    """Three lifters: sets old and new, old only, new only; the token of a key."""
    token = open_gym(url)
    done = import_json(
        url,
        lifter_line("both", experience="novice"),
        *(set_line(performed_at=ago(days)) for days in (900, 500, DAYS + 0.1, DAYS - 0.1, 30, 1)),
        lifter_line("old"),
        *(set_line(performed_at=ago(days), note="of old") for days in (800, 400)),
        lifter_line("new"),
        set_line(performed_at=ago(2)),
    )
    assert done.code == 0, done.err
    return token


def touch(url: str, lifter_id: str, days: float) -> None:
    """Make the lifter's profile that old."""

    async def question(store: Store, tenant_id: UUID) -> None:
        async with tenant_writing(store, tenant_id) as w:
            await w.execute(
                update(lifters)
                .where(lifters.c.lifter_id == lifter_id)
                .values(updated_at=TODAY - timedelta(days=days))
            )

    ask(url, question)


def audited(url: str) -> list[Recorded]:
    """Entries of retention, oldest first."""

    async def question(store: Store, tenant_id: UUID) -> list[Recorded]:
        async with tenant_reading(store, tenant_id) as r:
            page = await page_of_entries(r, tenant_id, limit=500, operation="retainSets")
        return list(reversed(page.entries))

    return ask(url, question)


def test_old_sets_go_and_what_was_learned_is_made_anew(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the second: a set that is a little younger stays; the summary is that of the sets that are left."""
    fill(database_url)
    done = retain(database_url, monkeypatch=monkeypatch)
    assert (done.code, done.err) == (0, [])
    assert done.out == f"{GYM}: deleted 5 sets of 2 lifters (0 of them whole), 0 expired answers\n"
    left = sets_of(database_url, "both")
    assert [each.performed_at for each in left] == [ago(days) for days in (DAYS - 0.1, 30, 1)]
    assert summary(database_url, "both").known == learn_all(left, BASIS.policy, BASIS.numbers)
    assert summary(database_url, "old").known == learn_all([], BASIS.policy, BASIS.numbers)
    assert len(sets_of(database_url, "new")) == 1


def test_each_lifter_has_an_entry_and_a_second_run_has_none(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """How many sets, by the command, all of one run under one id; nothing left to do leaves no entry."""
    fill(database_url)
    retain(database_url, monkeypatch=monkeypatch)
    found = audited(database_url)
    assert sorted((each.outcome, each.sets) for each in found) == [("deleted", 2), ("deleted", 3)]
    assert {each.actor for each in found} == {"command:retain"}
    (run,) = {each.request_id for each in found}
    assert run is not None
    assert run.startswith("retain-")
    assert len({each.lifter_tag for each in found}) == 2
    again = retain(database_url, monkeypatch=monkeypatch)
    assert "deleted 0 sets of 0 lifters" in again.out
    assert audited(database_url) == found


def test_a_lifter_without_sets_and_with_an_old_profile_is_erased(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who trained long ago, and who never did; a profile that was changed since keeps its lifter."""
    token = fill(database_url)
    assert import_json(database_url, lifter_line("never"), lifter_line("changed")).code == 0
    for lifter_id in ("old", "never", "both", "new"):
        touch(database_url, lifter_id, DAYS + 1)
    touch(database_url, "changed", DAYS - 1)
    before = export(database_url, token, "new"), export(database_url, token, "changed")
    done = retain(database_url, monkeypatch=monkeypatch)
    assert "deleted 5 sets of 3 lifters (2 of them whole)" in done.out
    assert rows(database_url)[:2] == (3, 4)
    assert (export(database_url, token, "new"), export(database_url, token, "changed")) == before
    outcomes = sorted((each.outcome, each.sets) for each in audited(database_url))
    assert outcomes == [("deleted", 3), ("erased", 0), ("erased", 2)]

    async def question(store: Store, tenant_id: UUID) -> dict[str, int]:
        return await traces(store, tenant_id, "of old") | await traces(store, tenant_id, "never")

    assert ask(database_url, question) == {}


def test_a_dry_run_tells_the_same_and_changes_nothing(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exports, summaries, audit and kept answers are as before; the run after it deletes what was told."""
    token = fill(database_url)
    touch(database_url, "old", DAYS + 1)
    keep_answers(database_url, 3)
    exports = [export(database_url, token, each) for each in ("both", "old", "new")]
    told = retain(database_url, "--dry-run", monkeypatch=monkeypatch)
    assert told.out == f"{GYM}: would delete 5 sets of 2 lifters (1 of them whole), 3 expired answers\n"
    assert [export(database_url, token, each) for each in ("both", "old", "new")] == exports
    assert audited(database_url) == []
    done = retain(database_url, monkeypatch=monkeypatch)
    assert done.out == told.out.replace("would delete", "deleted")


def keep_answers(url: str, count: int, days: float = 2) -> None:
    """Answers for replay, that old."""
    at = TODAY - timedelta(days=days)

    async def question(store: Store, tenant_id: UUID) -> None:
        same = {"lifter_id": "new", "request_digest": b"", "status": 201, "body": b"{}"}
        kept = [
            {"tenant_id": tenant_id, "idempotency_key": f"{days} {number}", "created_at": at, **same}
            for number in range(count)
        ]
        async with tenant_writing(store, tenant_id) as w:
            await w.execute(insert(idempotency), kept)

    ask(url, question)


def kept_answers(url: str) -> int:
    """How many answers are kept for replay."""

    async def question(store: Store, tenant_id: UUID) -> int:
        async with tenant_reading(store, tenant_id) as r:
            counted: int = (await r.execute(select(func.count()).select_from(idempotency))).scalar_one()
            return counted

    return ask(url, question)


def test_without_a_retention_only_expired_answers_go(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0 days is for ever, and the command says so; however many answers there are."""
    token = fill(database_url)
    keep_answers(database_url, 2500)
    keep_answers(database_url, 4, days=0.5)
    before = export(database_url, token, "both")
    done = retain(database_url, days=0, monkeypatch=monkeypatch)
    assert done.code == 0
    assert done.err == ["EFFORT_RETENTION_DAYS is 0: no set is too old"]
    assert done.out == f"{GYM}: deleted 0 sets of 0 lifters (0 of them whole), 2500 expired answers\n"
    assert kept_answers(database_url) == 4
    assert export(database_url, token, "both") == before


async def _other(url: str) -> None:
    await make_key(url, "prescribe", tenant=OTHER_GYM)


def test_one_tenant_or_all(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --tenant the others are left alone; an unknown one is told."""
    import asyncio  # noqa: PLC0415 - one call

    fill(database_url)
    asyncio.run(_other(database_url))
    lines = (lifter_line("both"), set_line(performed_at=ago(900)))
    sent = b"".join(msgspec.json.encode(line) + b"\n" for line in lines)
    done = effort("import", "-", "--tenant", OTHER_GYM, "--format=jsonl", url=database_url, stdin=sent)
    assert done.code == 0, done.err
    assert "deleted 1 sets" in retain(database_url, "--tenant", OTHER_GYM, monkeypatch=monkeypatch).out
    assert rows(database_url)[1] == 9
    whole = retain(database_url, monkeypatch=monkeypatch).out.splitlines()
    assert [line.split(":")[0] for line in whole] == [GYM, OTHER_GYM]
    unknown = retain(database_url, "--tenant", "nobody", monkeypatch=monkeypatch)
    assert (unknown.code, unknown.err) == (2, ["effort: no tenant named nobody"])
    assert retain(database_url, days=-1, monkeypatch=monkeypatch).code == 2


def test_lifters_are_looked_at_page_by_page(database_url: str) -> None:
    """Each once, whatever the size of a page; only those with something due are named."""
    open_gym(database_url)
    lines = [
        line
        for number in range(10)
        for line in (lifter_line(f"l{number}"), set_line(performed_at=ago(900 if number % 3 == 0 else 1)))
    ]
    assert import_json(database_url, *lines).code == 0

    async def question(store: Store, tenant_id: UUID) -> list[tuple[str, ...]]:
        pages, after = [], None
        while True:
            async with tenant_reading(store, tenant_id) as r:
                page = await lifters_due(r, tenant_id, after, before=TODAY - timedelta(days=DAYS), at_once=4)
            pages.append(page.lifter_ids)
            after = page.last
            if after is None:
                return pages

    assert ask(database_url, question) == [("l0", "l3"), ("l6",), ("l9",)]


def test_a_long_history_is_deleted_in_parts(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """More sets than one statement takes, all in the lifter's transaction."""
    open_gym(database_url)
    old = [set_line(performed_at=ago(400 + number / 1000)) for number in range(12_000)]
    assert import_json(database_url, lifter_line(), *old, set_line(performed_at=ago(1))).code == 0
    assert "deleted 12000 sets of 1 lifters" in retain(database_url, monkeypatch=monkeypatch).out
    assert len(sets_of(database_url)) == 1


def test_the_service_goes_on_storing_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On SQLite, where there is one writer at a time: no request is turned away while retention runs."""
    with fresh_database("sqlite") as url:
        open_gym(url)
        lines = [
            line
            for number in range(40)
            for line in (
                lifter_line(f"l{number}"),
                *(set_line(performed_at=ago(days)) for days in range(1, 800, 20)),
            )
        ]
        assert import_json(url, *lines).code == 0
        with (
            serving(url, tmp_path) as (replica, token),
            writing(replica, token, pause_seconds=0.02) as writers,
        ):
            writers.write_on()
            before = dict(writers.acknowledged)
            done = retain(url, "--tenant", GYM, monkeypatch=monkeypatch)
            after = dict(writers.acknowledged)
        assert done.code == 0
        assert "of 40 lifters" in done.out
        assert sum(after.values()) > sum(before.values())
