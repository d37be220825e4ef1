"""Everyone's next session: each set of one session of a plan, for every lifter, filled from the lifter's history.

The contexts are filled and answered by the code of POST /v1/lifters/{lifter_id}/prescriptions.
"""

import asyncio
import hashlib
from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

import msgspec
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import replace

from service import __version__
from service.api.learned import Acquainted, Wanted, acquaint
from service.api.lifter_prescriptions import told_profile
from service.api.prescriptions import prescribed
from service.bulk.answers import TEXTS, answer_columns, empty_answers, put
from service.bulk.chunks import known_digests, policies
from service.bulk.ledger import entries_of
from service.bulk.manifest import Identity
from service.bulk.sources import Form
from service.bulk.tables import tables_of
from service.bulk.work import Chunk
from service.errors import Fault, InputRefused
from service.rules.answer import Prescription
from service.rules.compiled import Policy
from service.rules.learning.basis import Basis
from service.rules.learning.context import MOST_HOURS, LifterSetContext, fill, needed
from service.rules.learning.known import micros_of
from service.rules.learning.performed import instant_of
from service.rules.learning.view import DECIMALS
from service.rules.plans.basis import PlanBasis
from service.rules.plans.plan import Plan
from service.rules.plans.schedule import Slot, schedule
from service.storage.engine import Store, close_store, open_store
from service.storage.site_lifters import lifter_ids
from service.storage.tenancy import Reach, reading_within

LIFTERS_A_UNIT = 1000
LIFTERS_AT_ONCE = 4


class Asked(Struct, frozen=True, kw_only=True):
    """Whose next session: database, tenant and sites, the plan and which of its sessions, from 1."""

    database_url: str
    reach: Reach
    plan: Plan
    session: int
    texts: bool
    now: datetime


class Answer(NamedTuple):
    """One set of one lifter."""

    lifter_id: str
    slot: Slot
    prescription: Prescription


def context_of(slot: Slot, plan: Plan) -> LifterSetContext:
    """Return what an app would send for a set of the plan, to have the rest filled from history."""
    told, until = plan.lifter, slot.hours_until_trained
    exposures = None if told is None or told.exposures is None else told.exposures.get(slot.exercise.id)
    return LifterSetContext(
        rep_target=slot.told.rep_target,
        load_percent_1rm=slot.told.load_percent_1rm,
        exercise=slot.exercise.id,
        exercise_order=slot.exercise_at + 1,
        exercises_in_session=slot.exercises_in_session,
        set_order=slot.set_at + 1,
        sets_in_exercise=slot.kept_sets,
        later_overlapping_sets=slot.later_overlapping_sets,
        experience=None if told is None else told.experience,
        exposures=exposures,
        goal=None if told is None else told.goal,
        hours_until_muscle_trained=None if until is None else min(round(until, DECIMALS), MOST_HOURS),
        deload=slot.deload,
        plan_shift_reps=slot.shift_reps or None,
        spotter=None if told is None else told.spotter,
        safety_arms=None if told is None else told.safety_arms,
        cautions=None if told is None else told.cautions,
        policy=plan.policy,
        at=plan.sessions[slot.session].starts_at,
    )


def slots_of(plan: Plan, session: int, basis: PlanBasis) -> list[Slot]:
    """Return the sets of a session, from 1, that are not cut. Raises InputRefused for a session there is not."""
    if session > len(plan.sessions):
        raise InputRefused(
            (Fault("--session", f"must be 1 to {len(plan.sessions)}, the sessions of the plan"),)
        )
    return [slot for slot in schedule(plan, basis) if slot.session == session - 1 and not slot.cut]


Stretch = tuple[str, str | None]


async def _stretches(asked: Asked) -> list[Stretch]:
    """Return the lifters there are in stretches: ids above the first, up to and with the second, None for no end."""
    store, found, after = open_store(asked.database_url), list[Stretch](), ""
    try:
        async with reading_within(store, asked.reach) as r:
            while ids := await lifter_ids(r, asked.reach.tenant_id, after=after, limit=LIFTERS_A_UNIT):
                found.append((after, ids[-1]))
                after = ids[-1]
    finally:
        await close_store(store)
    return [*found[:-1], (found[-1][0] if found else "", None)]


class HistoryWork:
    """Lifters in stretches of a thousand."""

    def __init__(self, asked: Asked, basis: PlanBasis, form: Form) -> None:
        self.asked, self.form = asked, form
        self.policy: Policy = policies().get(asked.plan.policy)
        self.basis = Basis(policy=policies().newest, numbers=basis.learning)
        self.slots = slots_of(asked.plan, asked.session, replace(basis, policy=self.policy))
        self.contexts = [context_of(slot, asked.plan) for slot in self.slots]
        self.stretches = asyncio.run(_stretches(asked))

    @property
    def units(self) -> int:
        """How many units there are."""
        return len(self.stretches)

    @property
    def schema(self) -> pa.Schema:
        """Columns of every part."""
        return self._table([]).schema

    @property
    def identity(self) -> Identity:
        """Tenant, sites, plan, session, policies and options; not which lifters there are, who may come and go."""
        asked = self.asked
        return {
            "tenant": str(asked.reach.tenant_id),
            "sites": None if asked.reach.sites is None else sorted(asked.reach.sites),
            "plan": hashlib.sha256(msgspec.json.encode(asked.plan)).hexdigest(),
            "session": asked.session,
            "policy": self.policy.version,
            "policies": known_digests(),
            "release": __version__,
            "texts": asked.texts,
            "format": self.form,
        }

    @property
    def beside(self) -> Identity:
        """The stretches."""
        return {"stretches": self.stretches}

    def take_over(self, beside: Identity) -> None:
        """Go on with the stretches of an earlier run, so that no lifter is in two parts."""
        self.stretches = [(after, until) for after, until in beside["stretches"]]

    def chunks(self, unit: int) -> Iterator[Chunk]:
        """Answer one stretch of lifters."""
        answers = asyncio.run(self._answers(*self.stretches[unit]))
        withheld = sum(answer.prescription.decision == "withhold" for answer in answers)
        yield Chunk(table=self._table(answers), withheld=withheld)

    async def _answers(self, after: str, until: str | None) -> list[Answer]:
        asked, store = self.asked, open_store(self.asked.database_url)
        at_once = asyncio.Semaphore(LIFTERS_AT_ONCE)
        try:
            async with reading_within(store, asked.reach) as r:
                ids = await lifter_ids(r, asked.reach.tenant_id, after=after, until=until)
            found = await asyncio.gather(*(self._of_lifter(store, lifter_id, at_once) for lifter_id in ids))
        finally:
            await close_store(store)
        return [answer for answers in found for answer in answers]

    async def _of_lifter(self, store: Store, lifter_id: str, at_once: asyncio.Semaphore) -> list[Answer]:
        rows = [needed(context, self.policy) for context in self.contexts]
        wanted = Wanted(
            exercises={each for row in rows for each in row.exercises},
            muscles={each for row in rows for each in row.muscles},
        )
        at = micros_of(instant_of(self.asked.plan.sessions[self.asked.session - 1].starts_at))
        async with at_once:
            found = await acquaint(
                store, self.asked.reach, lifter_id, wanted, self.basis, now=self.asked.now, at=at
            )
        return [
            Answer(lifter_id, slot, self._answer(context, found))
            for slot, context in zip(self.slots, self.contexts, strict=True)
            if found.lifter is not None  # erased since the ids were read
        ]

    def _answer(self, context: LifterSetContext, found: Acquainted) -> Prescription:
        filled = fill(context, told_profile(found), found.known, found.at, self.policy, self.basis.numbers)
        answer = prescribed(filled.context_used, "full", policies())
        if not isinstance(answer, Prescription):
            raise TypeError("a full prescription was asked for")
        return answer

    def _table(self, answers: list[Answer]) -> pa.Table:
        tables = tables_of(self.policy)
        names = entries_of(tables).names
        found = empty_answers(len(answers), names, biased=True)
        for at, answer in enumerate(answers):
            put(found, at, answer.prescription, tables)
        places = {
            "session": [answer.slot.session + 1 for answer in answers],
            "exercise_order": [answer.slot.exercise_at + 1 for answer in answers],
            "set_order": [answer.slot.set_at + 1 for answer in answers],
            "rep_target": [answer.slot.told.rep_target for answer in answers],
        }
        told = {
            "lifter_id": pa.array([answer.lifter_id for answer in answers], pa.string()),
            "exercise": pa.array([answer.slot.exercise.id for answer in answers], pa.string()),
            **{name: pa.array(values, pa.int16()) for name, values in places.items()},
            **answer_columns(found, tables, names),
        }
        if self.asked.texts:
            texts = [[reason.text for reason in answer.prescription.reasons] for answer in answers]
            told[TEXTS] = pa.array(texts, pa.list_(pa.string()))
        return pa.table(told)
