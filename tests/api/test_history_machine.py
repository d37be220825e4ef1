"""Whatever is posted, corrected and deleted, in any order: what was learned is what the stored sets teach."""

import asyncio
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import httpx
import msgspec
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from service.policy.catalogue import load_policies
from service.policy.learning_numbers import load_learning
from service.rules.learning.basis import Basis
from service.rules.learning.fold import learn_all
from service.rules.learning.known import Known
from service.rules.learning.performed import PerformedSet, instant_of
from service.storage.engine import close_store, open_store
from service.storage.keys import find_principal
from service.storage.summaries import Summary, load_known
from service.storage.tenancy import tenant_reading
from tests.databases import Kind, fresh_database
from tests.serving import make_key, served

POLICIES = load_policies()
BASIS = Basis(policy=POLICIES.newest, numbers=load_learning(POLICIES.newest))
START = datetime(2026, 6, 1, 18, tzinfo=UTC)
POOL = [UUID(int=number) for number in range(1, 13)]  # few ids, so that they meet again
ENDPOINTS = ("planned_stop", "self_determined_rm", "momentary_failure", "safety_stop", "volitional_stop")


@st.composite
def contents(draw: st.DrawFn) -> dict[str, Any]:
    """Draw the content of a set, plausible or not, at one of few instants."""
    reps = draw(st.integers(0, 15))
    instant = START + timedelta(hours=draw(st.sampled_from([0, 1, 30, 200, 1500])))
    return {
        "performed_at": instant.isoformat(),
        "exercise": draw(st.sampled_from(["leg_press", "barbell_bench_press", "dumbbell_bench_press"])),
        "load_kg": draw(st.sampled_from([0, 40, 82.5])),
        "reps": reps,
        "set_endpoint": draw(st.sampled_from(ENDPOINTS)),
        "reported_rir": draw(st.none() | st.sampled_from([0, 1.5, 4])),
        "rir_call": draw(st.none() | st.just({"at_rep": 1, "reps_left": 3})) if reps else None,
        "prescribed_rir": draw(st.none() | st.just(2)),
    }


async def summary_of(url: str, token: str, lifter_id: str) -> Summary:
    """Return everything saved of the lifter."""
    store = open_store(url)
    try:
        async with tenant_reading(store, UUID(int=0)) as r:
            principal = await find_principal(r, token, now=START)
        assert principal is not None
        async with tenant_reading(store, principal.tenant_id) as r:
            return await load_known(
                r, principal.tenant_id, lifter_id, exercises=None, muscles=None, weeks=None
            )
    finally:
        await close_store(store)


class History(RuleBasedStateMachine):
    """A lifter's sets, kept beside the service as a plain dictionary."""

    kind: Kind

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        self.loop = asyncio.new_event_loop()
        self.model: dict[str, dict[str, Any]] = {}

    @initialize()
    def open(self) -> None:
        """Serve on a database of its own."""
        self.url = self.stack.enter_context(fresh_database(self.kind))
        self.token = self.run(make_key(self.url, "history:read", "history:write", "prescribe")).token
        self.serving = served(self.url, token=self.token)
        self.client: httpx.AsyncClient = self.run(self.serving.__aenter__())

    def run(self, work: Any) -> Any:
        """Return what a coroutine returns."""
        return self.loop.run_until_complete(work)

    def teardown(self) -> None:
        """Stop serving and drop the database."""
        if hasattr(self, "serving"):
            self.run(self.serving.__aexit__(None, None, None))
        self.loop.close()
        self.stack.close()

    @rule(
        batch=st.dictionaries(st.sampled_from(POOL), contents(), min_size=1, max_size=6), again=st.booleans()
    )
    def post(self, batch: dict[UUID, dict[str, Any]], again: bool) -> None:
        """Post sets, some of them known, twice when `again`; one with other content spoils all."""
        sets = [{"set_id": str(set_id), **content} for set_id, content in batch.items()]
        conflicting = [s for s in sets if s["set_id"] in self.model and self.model[s["set_id"]] != s]
        new = [s for s in sets if s["set_id"] not in self.model]
        headers = {"idempotency-key": uuid4().hex}
        for _ in range(1 + again):
            answered = self.run(self.client.post("/v1/lifters/a/sets", json={"sets": sets}, headers=headers))
            expected = 409 if conflicting else 201 if new else 200
            assert answered.status_code == expected, answered.text
        if not conflicting:
            self.model |= {s["set_id"]: s for s in sets}

    @rule(set_id=st.sampled_from(POOL), content=contents())
    def correct(self, set_id: UUID, content: dict[str, Any]) -> None:
        """Replace a set, known or not."""
        answered = self.run(self.client.put(f"/v1/lifters/a/sets/{set_id}", json=content))
        known = str(set_id) in self.model
        assert answered.status_code == (200 if known else 404)
        if known:
            self.model[str(set_id)] = {"set_id": str(set_id), **content}

    @rule(set_id=st.sampled_from(POOL))
    def delete(self, set_id: UUID) -> None:
        """Delete a set, known or not."""
        answered = self.run(self.client.delete(f"/v1/lifters/a/sets/{set_id}"))
        assert answered.status_code == (204 if self.model.pop(str(set_id), None) else 404)

    @rule()
    def erase(self) -> None:
        """Erase the lifter."""
        self.run(self.client.delete("/v1/lifters/a"))
        self.model.clear()

    def in_order(self) -> list[PerformedSet]:
        """The model's sets by (`performed_at`, `set_id`)."""
        sets = [msgspec.convert(each, PerformedSet, strict=True) for each in self.model.values()]
        return sorted(sets, key=lambda each: (instant_of(each.performed_at), each.set_id))

    @invariant()
    def summaries_equal_the_recomputation(self) -> None:
        """Every saved row, to the last bit; and none is left over."""
        if not hasattr(self, "client"):
            return
        summary = self.run(summary_of(self.url, self.token, "a"))
        assert summary.known == learn_all(self.in_order(), BASIS.policy, BASIS.numbers)
        assert summary.stamp in (None, BASIS.stamp)
        assert summary.stamp is not None or summary.known == Known()

    @rule()
    def state_does_not_depend_on_the_way_here(self) -> None:
        """A second lifter who posts the same sets at once has the same state."""
        if not self.model:
            return
        sets = [msgspec.to_builtins(each) for each in self.in_order()]
        self.run(self.client.post("/v1/lifters/b/sets", json={"sets": sets[::-1]}))
        states = [
            self.run(self.client.get(f"/v1/lifters/{name}/state?at=2026-12-31T00:00:00Z")).json()
            for name in "ab"
        ]
        assert states[0] | {"lifter_id": ""} == states[1] | {"lifter_id": ""}
        assert self.run(self.client.delete("/v1/lifters/b")).status_code == 204


class HistoryOnSqlite(History):
    """On SQLite."""

    kind = "sqlite"


class HistoryOnPostgresql(History):
    """On PostgreSQL."""

    kind = "postgresql"


RUN = settings(
    max_examples=15,
    stateful_step_count=15,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)
TestHistoryOnSqlite = HistoryOnSqlite.TestCase
TestHistoryOnSqlite.settings = RUN
TestHistoryOnPostgresql = HistoryOnPostgresql.TestCase
TestHistoryOnPostgresql.settings = RUN
