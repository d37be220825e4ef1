"""FastAPI peer: the same contract in pydantic models, the same rules, as one would write it first."""

from typing import Annotated, Literal

import msgspec
from fastapi import FastAPI
from pydantic import BaseModel, ConfigDict, Field

from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from service.rules.prescribe import prescribe_brief

POLICY = load_policies().newest
Place = Annotated[int, Field(ge=1, le=30)] | None
Hours = Annotated[float, Field(ge=0, le=10_000)] | None


class Context(BaseModel):
    """The set context."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    rep_target: Annotated[int, Field(ge=1, le=50)]
    load_percent_1rm: Annotated[float, Field(gt=0, le=100)] | None = None
    exercise: Annotated[str, Field(max_length=64)] | None = None
    exercise_order: Place = None
    exercises_in_session: Place = None
    set_order: Place = None
    sets_in_exercise: Place = None
    later_overlapping_sets: Annotated[float, Field(ge=0, le=100)] | None = None
    experience: Literal["novice", "intermediate", "advanced"] | None = None
    exposures: Annotated[float, Field(ge=0, le=10_000)] | None = None
    days_since_last_exposure: Annotated[float, Field(ge=0, le=10_000)] | None = None
    goal: Literal["hypertrophy", "strength", "power", "local_endurance"] | None = None
    hours_since_muscle_trained: Hours = None
    hours_until_muscle_trained: Hours = None
    failure_share_7d: Annotated[float, Field(ge=0, le=1)] | None = None
    deload: bool | None = None
    spotter: bool | None = None
    safety_arms: bool | None = None


class Reserve(BaseModel):
    """Repetitions in reserve, or RPE."""

    target: float | None
    low: float | None
    high: float | None


class Reason(BaseModel):
    """One entry of the ledger."""

    factor: str
    effect_reps: float
    text: str
    grade: str
    evidence: list[str]
    input: dict[str, str | float | bool | list[str] | None]


class Caution(BaseModel):
    """Something to heed."""

    code: str
    severity: str
    text: str


class Ref(BaseModel):
    """The policy used."""

    version: str
    digest: str


class Answer(BaseModel):
    """The brief prescription."""

    decision: str
    reps_in_reserve: Reserve | None
    rpe: Reserve | None
    reasons: list[Reason]
    cautions: list[Caution]
    policy: Ref


app = FastAPI()


@app.post("/v1/prescriptions")
async def create(data: Context) -> Answer:
    """Prescribe."""
    sent = {name: value for name, value in data.model_dump().items() if value is not None}
    found = prescribe_brief(SetContext(**sent), POLICY)
    return Answer.model_validate(msgspec.to_builtins(found))
