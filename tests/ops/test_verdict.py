"""The judge of all fault tests, judged: each kind of damage is seen, and no damage is seen where there is none."""

import random
from pathlib import Path
from uuid import UUID

import msgspec
import pytest
from msgspec.structs import replace

from service.rules.learning.performed import PerformedSet
from tests.databases import fresh_database
from tests.ops.clients import CANARIES, training
from tests.ops.journal import Answered, Exchange, Journal, Sent, read_journal
from tests.ops.replicas import replica
from tests.ops.verdict import Stored, Verdict, judge

PLACE = ("harbour-street-gym", "lifter-1")
TOLD, UNTOLD = 1, 2


def performed(request: int, place: int, copy: int = 0) -> PerformedSet:
    """Return a stored set of a request, marked as its client marked it."""
    return PerformedSet(
        set_id=UUID(int=100 * request + 10 * place + copy),
        performed_at="2026-03-02T06:00:00Z",
        exercise="leg_press",
        load_kg=100,
        reps=8,
        set_endpoint="planned_stop",
        note=f"mark {request}-{place}",
    )


def exchange(request: int, *answers: str) -> Exchange:
    """Return a request of two sets, and what was answered."""
    sent = Sent(
        number=request,
        tenant=PLACE[0],
        lifter_id=PLACE[1],
        key=f"key-{request}",
        body="{}",
        notes=tuple(f"mark {request}-{place}" for place in (0, 1)),
    )
    return Exchange(sent=sent, answers=[Answered(number=request, status=201, body=body) for body in answers])


def ids(request: int) -> str:
    """Return the answer to a request whose two sets are stored."""
    return msgspec.json.encode(
        {"set_ids": [str(performed(request, place).set_id) for place in (0, 1)]}
    ).decode()


GOOD = (performed(TOLD, 0), performed(TOLD, 1))


def verdict(
    *sets: PerformedSet, summary_is_right: bool = True, answers: tuple[str, ...] = (ids(TOLD),)
) -> Verdict:
    """Return the verdict on these rows, after one request that was acknowledged and one that was not."""
    return judge(
        [exchange(TOLD, *answers), exchange(UNTOLD)],
        {PLACE: Stored(sets=sets, summary_is_right=summary_is_right)},
    )


@pytest.mark.parametrize(
    "unknown", [(), (performed(UNTOLD, 0), performed(UNTOLD, 1))], ids=["not stored", "stored"]
)
def test_an_unknown_request_is_stored_wholly_or_not_at_all(unknown: tuple[PerformedSet, ...]) -> None:
    """Both are right."""
    found = verdict(*GOOD, *unknown)
    assert (found.faults, found.acknowledged, found.unknown, found.lost) == ((), 2, 2, 0)
    assert found.stored == 2 + len(unknown)


@pytest.mark.parametrize(
    ("sets", "told"),
    [
        ((), "request 1 was acknowledged and is lost"),
        (GOOD[:1], "request 1 was acknowledged and is lost"),
        (GOOD[:1], "request 1 is stored in part"),
        ((*GOOD, performed(UNTOLD, 1)), "request 2 is stored in part"),
        ((*GOOD, performed(TOLD, 1, copy=1)), "request 1 is stored more than once"),
        (
            (*GOOD, *(performed(UNTOLD, p, c) for p in (0, 1) for c in (0, 1))),
            "request 2 is stored more than once",
        ),
        ((GOOD[0], performed(TOLD, 1, copy=1)), "request 1 is stored under other ids than it was told"),
        ((*GOOD, performed(3, 0)), "holds 'mark 3-0', which nobody sent"),
    ],
)
def test_damage_to_the_rows_is_seen(sets: tuple[PerformedSet, ...], told: str) -> None:
    """Lost, in part, doubled, under another id, out of nowhere."""
    assert any(told in fault for fault in verdict(*sets).faults)


def test_a_summary_that_is_not_what_the_sets_teach_is_seen() -> None:
    """Nothing else is wrong with it."""
    (fault,) = verdict(*GOOD, summary_is_right=False).faults
    assert "summary" in fault


@pytest.mark.parametrize("audited", [(), (1, 1), (2, 2)], ids=str)
def test_an_audit_that_is_not_what_is_stored_is_seen(audited: tuple[int, ...]) -> None:
    """An entry is missing, or there is one too many, or it tells of other numbers."""
    stored = Stored(sets=GOOD, summary_is_right=True, audited=(2,))
    told = exchange(TOLD, ids(TOLD))
    assert judge([told], {PLACE: stored}).faults == ()
    (fault,) = judge([told], {PLACE: replace(stored, audited=audited)}).faults
    assert "audit" in fault


def test_two_answers_to_one_request_are_seen() -> None:
    """A replay has to say what was said."""
    (fault,) = verdict(*GOOD, answers=(ids(TOLD), ids(TOLD) + " ")).faults
    assert "answered in two ways" in fault


def test_another_lifters_rows_do_not_count() -> None:
    """What was stored under the wrong name is lost where it belongs and strange where it is."""
    stored = {
        PLACE: Stored(sets=(), summary_is_right=True),
        ("mill-lane-gym", "lifter-1"): Stored(sets=GOOD, summary_is_right=True),
    }
    faults = judge([exchange(TOLD, ids(TOLD))], stored).faults
    assert [fault for fault in faults if "lost" in fault]
    assert [fault for fault in faults if "nobody sent" in fault]


def test_a_journal_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    """Also when the last thing known is that something was sent."""
    journal = Journal(tmp_path / "journal")
    told, untold = exchange(TOLD, ids(TOLD)), exchange(UNTOLD)
    for record in (told.sent, *told.answers, untold.sent):
        journal.write(record)
    assert journal.read() == [told, untold]
    assert read_journal(b"") == []


async def test_another_gyms_canary_in_an_answer_is_seen(tmp_path: Path) -> None:
    """With its rival's key a gym reads its rival's sets: the clients notice."""
    with fresh_database("sqlite") as url, replica(url, tmp_path) as one:
        async with training(one.address, url, tmp_path, apps=0) as load:
            home, rival = CANARIES
            sent = load.next_request(rival, 1, random.Random(1))
            async with load.client(rival) as client:
                assert await load.attempt(client, sent) is not None
                await load.read(client, home, sent.lifter_id)
    assert load.leaks
