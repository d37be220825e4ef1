"""Estimates of load and repetitions."""

from typing import Any

from litestar import Request, Response, post
from litestar.params import JSONBody

from service.api.answers import answer
from service.api.whole_faults import exercise_faults
from service.rules.estimate import estimate_load, estimate_one_rep_max, estimate_repetitions
from service.rules.estimates import (
    LoadEstimate,
    LoadQuery,
    OneRepMaxEstimate,
    OneRepMaxQuery,
    RepetitionsEstimate,
    RepetitionsQuery,
)

TAGS = ["Estimates"]


@post(
    "/v1/estimates/one-rep-max",
    operation_id="estimateOneRepMax",
    summary="Estimate a 1RM from a set",
    tags=TAGS,
    status_code=200,
    scopes=("prescribe",),
    body=OneRepMaxQuery,
    rules=exercise_faults,
)
async def create_one_rep_max(
    request: Request[Any, Any, Any], data: JSONBody[OneRepMaxQuery]
) -> Response[OneRepMaxEstimate]:
    """One-repetition maximum [kg] with standard deviation and 90 % interval. The reserve is the true one."""
    return answer(request, estimate_one_rep_max(data, request.app.state.policies.newest))


@post(
    "/v1/estimates/repetitions",
    operation_id="estimateRepetitions",
    summary="Estimate repetitions to failure at a load",
    tags=TAGS,
    status_code=200,
    scopes=("prescribe",),
    body=RepetitionsQuery,
    rules=exercise_faults,
)
async def create_repetitions(
    request: Request[Any, Any, Any], data: JSONBody[RepetitionsQuery]
) -> Response[RepetitionsEstimate]:
    """Mean and between-person standard deviation [repetitions] at a share of 1RM."""
    return answer(request, estimate_repetitions(data, request.app.state.policies.newest))


@post(
    "/v1/estimates/load",
    operation_id="estimateLoad",
    summary="Load for repetitions at a reserve",
    tags=TAGS,
    status_code=200,
    scopes=("prescribe",),
    body=LoadQuery,
    rules=exercise_faults,
)
async def create_load(request: Request[Any, Any, Any], data: JSONBody[LoadQuery]) -> Response[LoadEstimate]:
    """Load [kg] on the equipment's steps, nearest and ties down, with the chance that it is too heavy."""
    return answer(request, estimate_load(data, request.app.state.policies.newest))
