"""`effort retain [--tenant NAME] [--dry-run]`."""

import asyncio
import os
import time
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from uuid import UUID

import click
from msgspec import Struct

from service.api.learned import learn_anew
from service.cli.key import with_store
from service.errors import NotFound
from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.settings import read_settings
from service.storage.audit import Entry, record
from service.storage.engine import Store, Writing, reading
from service.storage.idempotency import purge
from service.storage.identifiers import new_id
from service.storage.keys import find_tenant
from service.storage.lifters import lock_lifter
from service.storage.retention import Due, all_tenants, delete_due, due_of, expired_answers, lifters_due
from service.storage.tenancy import tenant_reading, tenant_writing

ANSWERS_AT_ONCE = 1000
PATIENCE_SECONDS = 60.0  # nobody waits for it, and SQLite lets those who write all the time go first


class Task(Struct, frozen=True, kw_only=True):
    """One run over one tenant: what was kept since before `before` goes. Without a `basis` it is only counted.

    `basis` is what lifters are learned anew with. `before` is None when no set is too old.
    """

    tenant_id: UUID
    before: datetime | None
    now: datetime
    run: str
    basis: Basis | None


class Retained(Struct, frozen=True, kw_only=True):
    """What was deleted of a tenant: sets, of how many lifters, how many of those whole, and expired answers."""

    sets: int
    lifters: int
    whole: int
    answers: int


async def _note(w: Writing, task: Task, lifter_id: str, done: Due) -> None:
    entry = Entry(
        actor="command:retain",
        operation="retainSets",
        outcome="erased" if done.whole else "deleted",
        at=datetime.now(UTC),
        lifter_id=lifter_id,
        request_id=task.run,
        sets=done.sets,
    )
    await record(w, task.tenant_id, entry)


async def _delete(store: Store, task: Task, lifter_id: str, before: datetime, basis: Basis) -> Due:
    async with tenant_writing(store, task.tenant_id) as w:
        lifter = await lock_lifter(w, task.tenant_id, lifter_id, create=False, now=task.now)
        if lifter is None:
            return Due(sets=0, whole=False)
        done = await delete_due(w, task.tenant_id, lifter, before=before)
        if done.sets and not done.whole:
            await learn_anew(w, task.tenant_id, lifter_id, basis)
        if done.sets or done.whole:
            await _note(w, task, lifter_id, done)
    return done


async def _done_with(store: Store, task: Task, lifter_id: str, before: datetime) -> Due:
    if task.basis is None:
        async with tenant_reading(store, task.tenant_id) as r:
            return await due_of(r, task.tenant_id, lifter_id, before=before)
    started = time.monotonic()
    done = await _delete(store, task, lifter_id, before, task.basis)
    if store.kind == "sqlite":
        # There is one writer at a time: whoever serves gets as much time as was taken here.
        await asyncio.sleep(time.monotonic() - started)
    return done


async def _each(store: Store, task: Task, before: datetime) -> AsyncIterator[Due]:
    after = None
    while True:
        async with tenant_reading(store, task.tenant_id) as r:
            page = await lifters_due(r, task.tenant_id, after, before=before)
        for lifter_id in page.lifter_ids:
            yield await _done_with(store, task, lifter_id, before)
        after = page.last
        if after is None:
            return


async def _answers(store: Store, task: Task) -> int:
    if task.basis is None:
        async with tenant_reading(store, task.tenant_id) as r:
            return await expired_answers(r, task.tenant_id, now=task.now)
    purged, all_purged = ANSWERS_AT_ONCE, 0
    while purged == ANSWERS_AT_ONCE:
        async with tenant_writing(store, task.tenant_id) as w:
            purged = await purge(w, task.tenant_id, now=task.now, at_most=ANSWERS_AT_ONCE)
        all_purged += purged
    return all_purged


async def retained(store: Store, task: Task) -> Retained:
    """Delete what is due, or count it, and return how much it was. Raises StorageUnavailable."""
    sets = lifters = whole = 0
    if task.before is not None:
        async for due in _each(store, task, task.before):
            sets, lifters, whole = sets + due.sets, lifters + bool(due.sets or due.whole), whole + due.whole
    return Retained(sets=sets, lifters=lifters, whole=whole, answers=await _answers(store, task))


async def _tenants(store: Store, name: str | None) -> tuple[tuple[UUID, str], ...]:
    async with reading(store) as r:
        if name is None:
            return await all_tenants(r)
        found = await find_tenant(r, name)
    if found is None:
        raise NotFound(f"no tenant named {name}")
    return ((found, name),)


def _told(tenant: str, done: Retained, verb: str) -> str:
    return (
        f"{tenant}: {verb} {done.sets} sets of {done.lifters} lifters ({done.whole} of them whole), "
        f"{done.answers} expired answers"
    )


@click.command("retain")
@click.option("--tenant", help="Only this tenant; default: all.")
@click.option("--dry-run", is_flag=True, help="Delete nothing, tell what would be deleted.")
def command(tenant: str | None, dry_run: bool) -> None:
    """Delete sets performed more than EFFORT_RETENTION_DAYS days ago, and answers kept for replay for over 24 hours.

    What was learned of a lifter is made anew from the sets that are left. A lifter without any, whose profile nobody
    has changed since, is erased whole. Each lifter is a transaction of its own with an entry in the audit, so a run
    that is stopped can be started again. Meant for a daily timer, while the service runs.
    """
    days, now = read_settings(os.environ).retention_days, datetime.now(UTC)
    if not days:
        click.echo("EFFORT_RETENTION_DAYS is 0: no set is too old", err=True)
    before = now - timedelta(days=days) if days else None
    policy, run = load_policies().newest, f"retain-{new_id(now).hex}"
    basis = None if dry_run else Basis(policy=policy, numbers=load_learning(policy))

    async def use(store: Store) -> None:
        for tenant_id, name in await _tenants(store, tenant):
            task = Task(tenant_id=tenant_id, before=before, now=now, run=run, basis=basis)
            done = await retained(store, task)
            click.echo(_told(name, done, "would delete" if dry_run else "deleted"))

    with_store(use, patience_seconds=PATIENCE_SECONDS)
