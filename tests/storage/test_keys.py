"""API keys on both databases: made, found, listed, expired, revoked, and never stored in the clear."""

import asyncio
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import MetaData, func, select

from service.errors import SettingsInvalid
from service.storage.engine import Store, reading, writing
from service.storage.key_pages import list_keys
from service.storage.key_rotation import revoke_key
from service.storage.key_token import _checksum, draw_token, key_id_of
from service.storage.keys import (
    SCOPES,
    KeyRecord,
    NewKey,
    Principal,
    create_key,
    find_principal,
    find_tenant,
    note_use,
    use_is_due,
)
from service.storage.schema import tenants

NOW = datetime(2026, 12, 1, 18, 30, tzinfo=UTC)


async def make(store: Store, tenant: str = "gym-chain", **details: Any) -> NewKey:
    """A key made in a transaction of its own, by default with the scope `prescribe`."""
    async with writing(store) as w:
        return await create_key(w, tenant=tenant, now=NOW, **({"scopes": ["prescribe"]} | details))


async def find(store: Store, token: str, now: datetime = NOW) -> Principal | None:
    """What `find_principal` says in a transaction of its own."""
    async with reading(store) as r:
        return await find_principal(r, token, now=now)


async def listed(store: Store, tenant: str = "gym-chain") -> tuple[KeyRecord, ...]:
    """What `list_keys` says in a transaction of its own."""
    async with reading(store) as r:
        return await list_keys(r, tenant=tenant)


async def revoke(store: Store, key_id: str, now: datetime = NOW) -> bool:
    """What `revoke_key` says in a transaction of its own."""
    async with writing(store) as w:
        return await revoke_key(w, key_id=key_id, now=now)


async def test_new_key_is_found_with_everything_it_was_given(store: Store) -> None:
    """The principal carries tenant, scopes, site and expiry of the key."""
    expires_at = NOW + timedelta(days=30)
    key = await make(store, scopes=SCOPES, sites=["north"], expires_at=expires_at, label="app")
    principal = await find(store, key.token)
    assert principal is not None
    assert principal.key_id == key.key_id
    assert principal.tenant_id.version == 7
    assert principal.scopes == frozenset(SCOPES)
    assert principal.sites == {"north"}
    assert principal.expires_at == expires_at
    assert principal.last_used_at is None


def test_token_can_be_recognised_without_the_database() -> None:
    """Prefix, public id, 43 characters of secret, 6 of checksum; the last one catches a typing error."""
    key_id, token = draw_token()
    assert re.fullmatch(r"effk_[0-9A-Za-z]{12}_[0-9A-Za-z]{43}_[0-9A-Za-z]{6}", token)
    assert key_id_of(token) == key_id
    swapped = token[:30] + ("0" if token[30] != "0" else "1") + token[31:]
    assert key_id_of(swapped) is None


def test_tokens_never_repeat() -> None:
    """A thousand draws share neither id nor secret."""
    drawn = [draw_token() for _ in range(1000)]
    assert len({key_id for key_id, _ in drawn}) == 1000
    assert len({token.split("_")[2] for _, token in drawn}) == 1000


async def test_malformed_token_belongs_to_nobody(store: Store) -> None:
    """Text that is no key at all is answered like an unknown key."""
    await make(store)
    for token in ("", "effk", "effk___", "Bearer", "effk_\0", "effk_ä_ö_ü", "\ud800", "x" * 100_000):
        assert await find(store, token) is None


async def test_token_is_taken_letter_by_letter(store: Store) -> None:
    """Spaces, another case, a cut or a longer token are other tokens."""
    token = (await make(store)).token
    for other in (f" {token}", f"{token}\n", token.swapcase(), token[:-1], f"{token}0", token.upper()):
        assert await find(store, other) is None


async def test_unknown_key_belongs_to_nobody(store: Store) -> None:
    """A well-formed token that was never stored is refused."""
    await make(store)
    assert await find(store, draw_token()[1]) is None


async def test_other_secret_under_a_known_id_belongs_to_nobody(store: Store) -> None:
    """Knowing the public id and how the checksum is made does not help."""
    key = await make(store)
    forged = f"effk_{key.key_id}_{draw_token()[1].split('_')[2]}"
    forged = f"{forged}_{_checksum(forged)}"
    assert key_id_of(forged) == key.key_id
    assert await find(store, forged) is None


async def test_key_ends_at_its_expiry(store: Store) -> None:
    """Valid until just before the instant, not at it."""
    expires_at = NOW + timedelta(hours=1)
    token = (await make(store, expires_at=expires_at)).token
    assert await find(store, token, expires_at - timedelta(microseconds=1)) is not None
    assert await find(store, token, expires_at) is None


async def test_revoked_key_is_refused(store: Store) -> None:
    """Revocation works at once, once, and stays in the list."""
    key = await make(store)
    assert await revoke(store, key.key_id)
    assert await find(store, key.token) is None
    assert not await revoke(store, key.key_id, NOW + timedelta(hours=1))
    assert [record.revoked_at for record in await listed(store)] == [NOW]


async def test_revoking_what_is_no_key_changes_nothing(store: Store) -> None:
    """An unknown or impossible id is False, and the keys there are stay valid."""
    token = (await make(store)).token
    for key_id in ("", "unknown00000", "\0", "%", "x" * 1000):
        assert not await revoke(store, key_id)
    assert await find(store, token) is not None


async def test_two_keys_of_one_tenant_live_at_once(store: Store) -> None:
    """A key can be replaced without an outage: make the new one, switch, revoke the old one."""
    old, new = await make(store), await make(store)
    both = [await find(store, old.token), await find(store, new.token)]
    assert both[0] is not None
    assert both[1] is not None
    assert both[0].tenant_id == both[1].tenant_id
    await revoke(store, old.key_id)
    assert await find(store, old.token) is None
    assert await find(store, new.token) is not None


async def test_list_shows_a_tenant_its_own_keys_without_secrets(store: Store) -> None:
    """Oldest first, with label and times; other tenants and hashes stay out."""
    first = await make(store, label="first", sites=["south", "north"])
    async with writing(store) as w:
        second = await create_key(w, tenant="gym-chain", scopes=["admin"], now=NOW + timedelta(seconds=1))
    await make(store, tenant="other")
    records = await listed(store)
    assert [record.key_id for record in records] == [first.key_id, second.key_id]
    assert records[0] == KeyRecord(
        tenant_id=first.tenant_id,
        key_id=first.key_id,
        scopes=frozenset({"prescribe"}),
        label="first",
        sites=frozenset({"north", "south"}),
        created_at=NOW,
        expires_at=None,
        last_used_at=None,
        revoked_at=None,
        replaced_by=None,
    )
    assert await listed(store, "nobody") == ()


async def test_tokens_are_nowhere_in_the_database(store: Store) -> None:
    """No column of any table holds the token or its secret, as text or as bytes."""
    key = await make(store, label="app", sites=["north"])
    found = MetaData()
    async with reading(store) as r:
        await r.connection.run_sync(found.reflect)
        cells = [
            cell for table in found.sorted_tables for row in await r.execute(select(table)) for cell in row
        ]
    texts = [cell.decode("latin-1") if isinstance(cell, bytes) else str(cell) for cell in cells]
    assert any(key.key_id in text for text in texts)
    secret = key.token.split("_")[2]
    assert not [text for text in texts if secret in text or secret.encode().hex() in text]


async def test_same_new_tenant_made_at_once_is_one_tenant(store: Store) -> None:
    """Eight keys for a tenant nobody knows yet end up with one owner."""
    keys = await asyncio.gather(*(make(store, tenant="rush") for _ in range(8)))
    async with reading(store) as r:
        assert (await r.execute(select(func.count()).select_from(tenants))).scalar_one() == 1
    assert {record.key_id for record in await listed(store, "rush")} == {key.key_id for key in keys}


async def test_use_is_noted_at_most_once_a_minute(store: Store) -> None:
    """A busy key does not write on every request."""
    key = await make(store)
    noted = []
    for seconds in (0, 59, 60, 61):
        async with writing(store) as w:
            await note_use(w, key_id=key.key_id, now=NOW + timedelta(seconds=seconds))
        noted.append((await listed(store))[0].last_used_at)
    assert noted == [NOW, NOW, NOW + timedelta(seconds=60), NOW + timedelta(seconds=60)]


async def test_caller_can_tell_whether_a_use_is_due(store: Store) -> None:
    """What `use_is_due` says is what `note_use` would do, so no transaction is opened in vain."""
    key = await make(store)
    unused = await find(store, key.token)
    async with writing(store) as w:
        await note_use(w, key_id=key.key_id, now=NOW)
    used = await find(store, key.token)
    assert unused is not None
    assert used is not None
    assert use_is_due(unused, now=NOW)
    assert not use_is_due(used, now=NOW + timedelta(seconds=59))
    assert use_is_due(used, now=NOW + timedelta(seconds=60))


async def test_tenant_is_found_by_name(store: Store) -> None:
    """Letter by letter; None for a name nobody has, SettingsInvalid for one nobody can have."""
    principal = await find(store, (await make(store)).token)
    await make(store, tenant="other")
    assert principal is not None
    async with reading(store) as r:
        assert await find_tenant(r, "gym-chain") == principal.tenant_id
        assert await find_tenant(r, "Gym-chain") is None
        with pytest.raises(SettingsInvalid, match=r"^tenant "):
            await find_tenant(r, "gym\0")


async def test_impossible_details_are_refused_by_name(store: Store) -> None:
    """The text says which detail is wrong and what it takes; nothing is stored."""
    impossible: dict[str, tuple[Any, ...]] = {
        "tenant": ("", "-x", "gym chain", "gym\n", "x" * 65, "gymü"),
        "label": ("x" * 101, "a\0b", "\udcff"),
        "sites": ([], ["x" * 65], ["north", "a b"], ["a\x1b[2J"], ["a\n"], [""]),
        "scopes": ([], ["prescribe", "root"]),
        "expires_at": (NOW,),
    }
    for named, values in impossible.items():
        for value in values:
            with pytest.raises(SettingsInvalid, match=f"^{named.removesuffix('s')}"):
                await make(store, **{named: value})
    async with reading(store) as r:
        assert (await r.execute(select(func.count()).select_from(tenants))).scalar_one() == 0


async def test_details_at_their_limits_are_stored(store: Store) -> None:
    """What the refusal promises to take is taken, on both databases."""
    key = await make(store, tenant="A" * 64, label="é" * 100, sites=["x" * 64, "Y.z_-0"])
    assert await find(store, key.token) is not None
