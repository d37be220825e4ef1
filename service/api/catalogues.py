"""What prescriptions are made from, open to read: policies, evidence, exercises, muscles."""

from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.params import PathParameter
from msgspec import Meta, Struct

from service.api.answers import OPEN_CACHE, answer
from service.api.languages import SPEAKS, SPOKEN_HEADERS, spoken_by
from service.errors import NotFound
from service.rules.answer import Grade
from service.rules.compiled import Policy
from service.rules.curves import Curve, Grid, Table
from service.rules.policy import (
    Accustoming,
    Capacity,
    CautionText,
    Cues,
    Defaults,
    Direction,
    Evidence,
    Exercise,
    Factor,
    Limits,
    Muscle,
)

TAGS = ["Catalogues"]


class PolicySummary(Struct, frozen=True, kw_only=True):
    """One version of the numbers; `digest` pins its every byte."""

    version: str
    digest: str
    valid_from: str


class PolicyList(Struct, frozen=True, kw_only=True):
    """Versions in force, oldest first; the last is used when a request pins none."""

    policies: tuple[PolicySummary, ...]


class FactorEffect(Struct, frozen=True, kw_only=True):
    """An effect [repetitions] at these input values, in the order of the factor's inputs."""

    at: tuple[str | float | bool, ...]
    effect_reps: float


class FactorDetail(Struct, frozen=True, kw_only=True):
    """One factor. Between the listed values, curves and grids are straight lines, held flat outside."""

    factor: str
    title: str
    unit: str
    shape: Annotated[str, Meta(description="table, curve or grid")]
    inputs: tuple[str, ...]
    monotone: dict[str, Direction]
    effects: tuple[FactorEffect, ...]
    grade: Grade
    evidence: tuple[str, ...]
    basis: str


class PolicyDetail(Struct, frozen=True, kw_only=True):
    """All numbers of one version, with unit, source and grade."""

    version: str
    digest: str
    valid_from: str
    factors: tuple[FactorDetail, ...]
    limits: Limits
    cautions: tuple[CautionText, ...]
    defaults: Defaults
    accustoming: Accustoming
    capacity: Capacity
    cues: Cues


class EvidenceList(Struct, frozen=True, kw_only=True):
    """The evidence register of the newest policy."""

    evidence: tuple[Evidence, ...]


class ExerciseList(Struct, frozen=True, kw_only=True):
    """The exercise catalogue of the newest policy."""

    exercises: tuple[Exercise, ...]


class MuscleList(Struct, frozen=True, kw_only=True):
    """Muscles by anatomical name."""

    muscles: tuple[Muscle, ...]


def _effects(shape: Table | Curve | Grid) -> tuple[FactorEffect, ...]:
    if isinstance(shape, Table):
        return tuple(
            FactorEffect(
                at=tuple(v if isinstance(v, bool) else str(v) for v in key), effect_reps=level.effect_reps
            )
            for key, level in shape.levels.items()
        )
    if isinstance(shape, Curve):
        return tuple(FactorEffect(at=(x,), effect_reps=y) for x, y in zip(shape.xs, shape.ys, strict=True))
    return tuple(
        FactorEffect(at=(row, column), effect_reps=value)
        for row, line in zip(shape.rows, shape.values, strict=True)
        for column, value in zip(shape.columns, line, strict=True)
    )


def _factor(factor: Factor) -> FactorDetail:
    return FactorDetail(
        factor=factor.name,
        title=factor.title,
        unit=factor.unit,
        shape=type(factor.shape).__name__.lower(),
        inputs=factor.inputs,
        monotone=factor.monotone,
        effects=_effects(factor.shape),
        grade=factor.source.grade,
        evidence=factor.source.evidence,
        basis=factor.source.basis,
    )


def _summary(policy: Policy) -> PolicySummary:
    return PolicySummary(version=policy.version, digest=policy.ref.digest, valid_from=policy.data.valid_from)


@get("/v1/policies", operation_id="listPolicies", summary="List policy versions", tags=TAGS)
async def list_policies(request: Request[Any, Any, Any]) -> Response[PolicyList]:
    """Every released version of the numbers; none ever changes or goes away."""
    versions = request.app.state.policies.versions
    return answer(request, PolicyList(policies=tuple(map(_summary, versions))), cache=OPEN_CACHE)


def policy_detail(policy: Policy) -> PolicyDetail:
    """Return all numbers of one version as they are published."""
    data = policy.data
    return PolicyDetail(
        version=data.version,
        digest=data.digest,
        valid_from=data.valid_from,
        factors=tuple(map(_factor, data.factors)),
        limits=data.limits,
        cautions=data.cautions,
        defaults=data.defaults,
        accustoming=data.accustoming,
        capacity=data.capacity,
        cues=data.cues,
    )


@get("/v1/policies/{version:str}", operation_id="getPolicy", summary="Read one policy version", tags=TAGS)
async def get_policy(
    request: Request[Any, Any, Any],
    version: Annotated[str, PathParameter(description="Version, a date such as 2026-11-25.")],
) -> Response[PolicyDetail]:
    """Every factor, window, floor and curve of one version, each with source and grade."""
    policy: Policy = request.app.state.policies.get(version[:40])
    return answer(request, policy_detail(policy), cache=OPEN_CACHE)


@get("/v1/evidence", operation_id="listEvidence", summary="List the evidence register", tags=TAGS)
async def list_evidence(request: Request[Any, Any, Any]) -> Response[EvidenceList]:
    """Every source: what was found, what it licenses, what it does not, how far it was checked."""
    entries = request.app.state.policies.newest.data.evidence
    return answer(request, EvidenceList(evidence=tuple(entries.values())), cache=OPEN_CACHE)


@get("/v1/evidence/{key:str}", operation_id="getEvidence", summary="Read one source", tags=TAGS)
async def get_evidence(
    request: Request[Any, Any, Any],
    key: Annotated[str, PathParameter(description="Key of the register, as in a reason's `evidence`.")],
) -> Response[Evidence]:
    """One source of the register."""
    found = request.app.state.policies.newest.data.evidence.get(key)
    if found is None:
        raise NotFound("no evidence of this key; GET /v1/evidence lists all")
    return answer(request, found, cache=OPEN_CACHE)


@get(
    "/v1/exercises",
    operation_id="listExercises",
    summary="List the exercise catalogue",
    tags=TAGS,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
)
async def list_exercises(request: Request[Any, Any, Any]) -> Response[ExerciseList]:
    """Generic exercises with joints, equipment, muscle shares, and whether a failed rep can pin the lifter."""
    spoken = spoken_by(request)
    found = ExerciseList(exercises=tuple(spoken.policies.newest.data.exercises.values()))
    return answer(request, found, cache=OPEN_CACHE, headers=spoken.headers)


@get(
    "/v1/muscles",
    operation_id="listMuscles",
    summary="List muscles",
    tags=TAGS,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
)
async def list_muscles(request: Request[Any, Any, Any]) -> Response[MuscleList]:
    """Muscles and muscle groups by anatomical name."""
    spoken = spoken_by(request)
    found = MuscleList(muscles=tuple(spoken.policies.newest.data.muscles.values()))
    return answer(request, found, cache=OPEN_CACHE, headers=spoken.headers)
