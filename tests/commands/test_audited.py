"""What commands change is audited as well: imports by lifter, keys by their ids."""

import re
from uuid import UUID

from service.storage.audit import Recorded, page_of_entries
from service.storage.engine import Store
from service.storage.tenancy import tenant_reading
from tests.commands.imports import FULL, GYM, ask, effort, import_json, lifter_line, open_gym, set_line


def entries(url: str, operation: str | None = None, lifter_id: str | None = None) -> list[Recorded]:
    """Entries of the gym, oldest first."""

    async def question(store: Store, tenant_id: UUID) -> list[Recorded]:
        async with tenant_reading(store, tenant_id) as r:
            page = await page_of_entries(r, tenant_id, limit=500, operation=operation, lifter_id=lifter_id)
        return list(reversed(page.entries))

    return ask(url, question)


def test_an_import_has_an_entry_for_each_lifter_it_changed(database_url: str) -> None:
    """With the number of new sets, all of one run under one id; known sets and profiles leave none."""
    open_gym(database_url)
    first = (
        lifter_line("a1", experience="novice"),
        set_line(reps=5),
        set_line(reps=6),
        lifter_line("b2"),
        lifter_line("c3"),
        set_line(),
    )
    assert import_json(database_url, *first).code == 0
    told = {
        each: [(e.outcome, e.sets) for e in entries(database_url, lifter_id=each)]
        for each in ("a1", "b2", "c3")
    }
    assert told == {"a1": [("created", 2)], "b2": [("created", 0)], "c3": [("created", 1)]}
    found = entries(database_url, "importSets")
    assert {each.actor for each in found} == {"command:import"}
    assert len({each.request_id for each in found}) == 1
    assert import_json(database_url, *first).code == 0
    assert entries(database_url, "importSets") == found
    again = (lifter_line("a1", experience="advanced"), lifter_line("c3"), set_line(reps=7))
    assert import_json(database_url, *again).code == 0
    assert [(e.outcome, e.sets) for e in entries(database_url, lifter_id="a1")] == [
        ("created", 2),
        ("changed", 0),
    ]
    assert [(e.outcome, e.sets) for e in entries(database_url, lifter_id="c3")] == [
        ("created", 1),
        ("created", 1),
    ]
    assert len({each.request_id for each in entries(database_url, "importSets")}) == 2


def test_a_refused_import_has_no_entry(database_url: str) -> None:
    """Nothing is stored, so nothing is told."""
    open_gym(database_url)
    assert import_json(database_url, lifter_line("a1"), {"type": "set", **FULL}).code == 0
    before = entries(database_url)
    refused = (lifter_line("b2"), set_line(), lifter_line("a1"), {"type": "set", **FULL, "reps": 9})
    assert import_json(database_url, *refused).code == 2
    assert entries(database_url) == before


def test_keys_made_on_the_command_line_are_audited(database_url: str) -> None:
    """Made, rotated, revoked: by the command, about the id, never with the token."""
    made = effort("key", "create", "--tenant", GYM, "--label", "till 3", url=database_url)
    key_id = re.findall(r"^key id: (\S+)$", made.out, re.MULTILINE)[0]
    assert effort("key", "rotate", key_id, url=database_url).code == 0
    assert effort("key", "rotate", key_id, url=database_url).code == 2
    assert effort("key", "revoke", key_id, url=database_url).code == 0
    assert effort("key", "revoke", key_id, url=database_url).code == 2
    found = entries(database_url)
    assert [(each.operation, each.outcome) for each in found] == [
        ("createKey", "created"),
        ("rotateKey", "changed"),
        ("revokeKey", "revoked"),
    ]
    assert {(each.actor, each.object_id) for each in found} == {("command:key", key_id)}
    assert "till 3" not in repr(found)
