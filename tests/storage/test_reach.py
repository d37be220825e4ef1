"""Who is bound to sites sees lifters of those: in every function of the history, on both databases."""

from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from service.errors import NotFound
from service.rules.learning.known import Known, LifterKnown
from service.storage.engine import Store, Writing
from service.storage.idempotency import Begun, OtherBody, Replay, begin, finish
from service.storage.lifters import erase_lifter, find_lifter, lock_lifter, put_lifter
from service.storage.performed_sets import (
    delete_set,
    find_set,
    insert_sets,
    page_of_sets,
    replace_set,
    sets_after,
)
from service.storage.summaries import Summary, drop_known, load_known, save_known
from service.storage.tenancy import Reach, reading_within, tenant_reading, tenant_writing, writing_within
from tests.storage.history import LIFTER, NOW, performed, put, tenant

SET = UUID(int=1)
SITES = {
    "of the site": frozenset({"north"}),
    "of it and another": frozenset({"north", "east"}),
    "unbound": None,
}
ELSEWHERE = {
    "of another site": frozenset({"south"}),
    "of two others": frozenset({"south", "east"}),
    "of none": frozenset[str](),
}
EMPTY: dict[str, Any] = {"experience": None, "goal": None, "cautions": ()}


async def trained(store: Store, site: str | None = "north") -> UUID:
    """A tenant whose lifter, at a site, has a set, a summary and an answer kept for replay."""
    tenant_id = await tenant(store)
    await put(store, tenant_id, site=site, experience="novice")
    known = Known(lifter=LifterKnown(sets=1))
    async with tenant_writing(store, tenant_id) as w:
        await begin(w, tenant_id, "key", digest=b"1", lifter_id=LIFTER, now=NOW)
        await insert_sets(w, tenant_id, LIFTER, [performed(1)])
        await save_known(w, tenant_id, LIFTER, Summary(known=known, stamp="1"))
        await finish(w, tenant_id, "key", status=201, body=b"{}")
    return tenant_id


async def seen(store: Store, reach: Reach) -> list[bool]:
    """Whether the lifter, the set (three ways) and the summary are there for `reach`."""
    tenant_id = reach.tenant_id
    async with reading_within(store, reach) as r:
        loaded = await load_known(r, tenant_id, LIFTER, exercises=None, muscles=None, weeks=None)
        return [
            await find_lifter(r, tenant_id, LIFTER) is not None,
            await find_set(r, tenant_id, LIFTER, SET) is not None,
            bool((await page_of_sets(r, tenant_id, LIFTER, limit=10)).sets),
            bool(await sets_after(r, tenant_id, LIFTER, None)),
            loaded.stamp is not None,
        ]


@pytest.mark.parametrize("who", SITES)
async def test_lifter_of_ones_own_site_is_seen(store: Store, who: str) -> None:
    """With everything of the lifter's."""
    tenant_id = await trained(store)
    assert await seen(store, Reach(tenant_id, SITES[who])) == [True] * 5


@pytest.mark.parametrize("who", ELSEWHERE)
async def test_lifter_of_another_site_is_not_there(store: Store, who: str) -> None:
    """By no function that reads; nor is one without a site."""
    tenant_id = await trained(store)
    assert await seen(store, Reach(tenant_id, ELSEWHERE[who])) == [False] * 5
    async with tenant_writing(store, tenant_id) as w:
        await erase_lifter(w, tenant_id, LIFTER)
        await put_lifter(w, tenant_id, LIFTER, **EMPTY, site=None, now=NOW)
        await insert_sets(w, tenant_id, LIFTER, [performed(1)])
    for sites in (ELSEWHERE[who], SITES["of the site"]):
        assert not any(await seen(store, Reach(tenant_id, sites)))


async def replace(w: Writing, tenant_id: UUID) -> object:
    """True when the set was replaced."""
    return await replace_set(w, tenant_id, LIFTER, performed(1, reps=20))


CHANGES: dict[str, Callable[[Writing, UUID], Awaitable[object]]] = {
    "replace_set": replace,
    "delete_set": lambda w, tenant_id: delete_set(w, tenant_id, LIFTER, SET),
    "erase_lifter": lambda w, tenant_id: erase_lifter(w, tenant_id, LIFTER),
    "drop_known": lambda w, tenant_id: drop_known(w, tenant_id, LIFTER),
    "lock_lifter": lambda w, tenant_id: lock_lifter(w, tenant_id, LIFTER, create=False, now=NOW),
}


@pytest.mark.parametrize("change", CHANGES)
async def test_changes_do_not_reach_a_lifter_of_another_site(store: Store, change: str) -> None:
    """They find nothing to change; of the lifter's own site they do."""
    tenant_id = await trained(store)
    async with writing_within(store, Reach(tenant_id, frozenset({"south"}))) as w:
        assert not await CHANGES[change](w, tenant_id)
    assert await seen(store, Reach(tenant_id)) == [True] * 5
    async with tenant_reading(store, tenant_id) as r:
        assert (await find_set(r, tenant_id, LIFTER, SET)) == performed(1)
    async with writing_within(store, Reach(tenant_id, frozenset({"north"}))) as w:
        assert await CHANGES[change](w, tenant_id) or change == "drop_known"
    assert (
        change == "lock_lifter"
        or await seen(store, Reach(tenant_id)) != [True] * 5
        or change == "replace_set"
    )


async def test_an_id_taken_elsewhere_makes_no_lifter(store: Store) -> None:
    """Neither by profile nor by lock; what is there stays as it was."""
    tenant_id = await trained(store)
    async with tenant_reading(store, tenant_id) as r:
        before = await find_lifter(r, tenant_id, LIFTER)
    later = NOW + timedelta(days=1)
    for sites in (frozenset({"south"}), frozenset({"south", "east"})):
        with pytest.raises(NotFound):
            async with writing_within(store, Reach(tenant_id, sites)) as w:
                await put_lifter(w, tenant_id, LIFTER, **EMPTY | {"goal": "power"}, site="south", now=later)
        with pytest.raises(NotFound):
            async with writing_within(store, Reach(tenant_id, sites)) as w:
                await lock_lifter(w, tenant_id, LIFTER, create=True, now=later, site="south")
    async with tenant_reading(store, tenant_id) as r:
        assert await find_lifter(r, tenant_id, LIFTER) == before


async def test_a_lifter_made_at_a_site_is_seen_there(store: Store) -> None:
    """By lock and by profile; a move to another of one's own sites takes along what is the lifter's."""
    tenant_id = await tenant(store)
    both, north = frozenset({"north", "south"}), frozenset({"north"})
    async with writing_within(store, Reach(tenant_id, both)) as w:
        made = await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW, site="north")
        assert made is not None
        assert made.site == "north"
        await insert_sets(w, tenant_id, LIFTER, [performed(1)])
        await save_known(w, tenant_id, LIFTER, Summary(known=Known(), stamp="1"))
    assert await seen(store, Reach(tenant_id, north)) == [True] * 5
    async with writing_within(store, Reach(tenant_id, both)) as w:
        row, new = await put_lifter(w, tenant_id, LIFTER, **EMPTY, site="south", now=NOW)
        assert (row.site, new) == ("south", False)
    assert await seen(store, Reach(tenant_id, north)) == [False] * 5
    assert await seen(store, Reach(tenant_id, frozenset({"south"}))) == [True] * 5


async def test_idempotency_keys_belong_to_the_sites(store: Store) -> None:
    """One key of callers with other sites is another key; of the same sites, in whatever order, the same."""
    tenant_id = await trained(store)

    async def ask(sites: frozenset[str] | None, digest: bytes) -> object:
        async with writing_within(store, Reach(tenant_id, sites)) as w:
            found = await begin(w, tenant_id, "key", digest=digest, lifter_id="new", now=NOW)
            if found == Begun():
                site = min(sites or ["north"])
                await lock_lifter(w, tenant_id, "new", create=True, now=NOW, site=site)
                await finish(w, tenant_id, "key", status=201, body=str(sites and len(sites)).encode())
            return found

    north, both = frozenset({"north"}), frozenset({"south", "north"})
    assert await ask(None, b"1") == Replay(201, b"{}")
    for sites in (north, both):
        assert await ask(sites, b"2") == Begun()
        assert await ask(frozenset(sorted(sites)), b"2") == Replay(201, str(len(sites)).encode())
        assert await ask(sites, b"3") == OtherBody()
    assert await ask(None, b"2") == OtherBody()


async def test_erasing_takes_along_answers_to_all_who_asked(store: Store) -> None:
    """Also those kept for keys that see more, or other sites beside the lifter's."""
    tenant_id = await trained(store)
    north, both = frozenset({"north"}), frozenset({"south", "north"})
    for sites in (north, both):
        async with writing_within(store, Reach(tenant_id, sites)) as w:
            await begin(w, tenant_id, "key", digest=b"1", lifter_id=LIFTER, now=NOW)
            await finish(w, tenant_id, "key", status=201, body=b"{}")
    async with writing_within(store, Reach(tenant_id, north)) as w:
        assert await erase_lifter(w, tenant_id, LIFTER)
    for sites in (north, both, None):
        async with writing_within(store, Reach(tenant_id, sites)) as w:
            assert await begin(w, tenant_id, "key", digest=b"1", lifter_id=LIFTER, now=NOW) == Begun()
            await lock_lifter(w, tenant_id, LIFTER, create=True, now=NOW, site="north")


def test_a_reach_covers_what_sees_no_further() -> None:
    """The whole tenant covers everything; sites cover some of them, never the whole tenant."""
    tenant_id = UUID(int=7)
    whole, both = Reach(tenant_id), Reach(tenant_id, frozenset({"north", "south"}))
    assert whole.covers(None)
    assert whole.covers(frozenset({"north"}))
    assert both.covers(frozenset({"north"}))
    assert both.covers(frozenset({"north", "south"}))
    assert not both.covers(None)
    assert not both.covers(frozenset({"north", "east"}))
