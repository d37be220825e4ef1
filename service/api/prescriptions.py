"""Prescriptions: one set, or many in one call."""

import asyncio
from collections.abc import AsyncIterator
from functools import partial
from typing import Annotated, Any, Literal

import msgspec
from litestar import Request, Response, post
from litestar.params import JSONBody, QueryParameter
from litestar.response import Stream
from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.api.admission import one_of
from service.api.answers import NDJSON, answer, wants_lines
from service.api.languages import SPEAKS, SPOKEN_HEADERS, spoken_by
from service.api.problems import Problem, problem_of
from service.api.reading import valid
from service.api.whole_faults import context_faults
from service.errors import Fault, InputRefused, PolicyNotFound, ServiceError
from service.policy.catalogue import Policies
from service.rules.answer import BriefPrescription, Prescription
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief

Detail = Literal["full", "brief"]
DETAIL = {
    "detail": one_of(
        "full", "brief", default="full", description="`full`, or `brief`: what an app shows on every set."
    )
}
MOST_CONTEXTS = 1000
CONTEXTS_PER_TURN = 50

Prescribed = Prescription | BriefPrescription
DetailParameter = Annotated[Detail, QueryParameter()]


class Batch(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Many set contexts in one call."""

    contexts: Annotated[
        tuple[SetContext, ...],
        Meta(min_length=1, max_length=MOST_CONTEXTS, description="Each is answered by itself, in order."),
    ]


class BatchBody(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A batch whose contexts are not looked at yet, so that a bad one cannot spoil the others."""

    contexts: Annotated[tuple[Any, ...], Meta(min_length=1, max_length=MOST_CONTEXTS)]


class BatchItem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The answer to one context: a prescription, or the problem with it."""

    index: Annotated[int, Meta(ge=0, description="Place of the context in the request.")]
    status: Annotated[int, Meta(description="HTTP status this context would have got alone.")]
    prescription: Annotated[
        Any,
        Meta(
            description="As the single call answers.",
            extra_json_schema={
                "anyOf": [
                    {"$ref": "#/components/schemas/Prescription"},
                    {"$ref": "#/components/schemas/BriefPrescription"},
                ]
            },
        ),
    ] = None
    problem: Problem | None = None


class BatchAnswer(Struct, frozen=True, kw_only=True):
    """Answers in the order of the contexts."""

    results: tuple[BatchItem, ...]


def pinned_policy(version: str | None, policies: Policies) -> Policy:
    """Return the policy a request pins, the newest when it pins none. Raises InputRefused."""
    try:
        return policies.get(version)
    except PolicyNotFound as error:
        raise InputRefused((Fault("#/policy", str(error)),)) from error


def prescribed(context: SetContext, detail: Detail, policies: Policies) -> Prescribed:
    """Return the prescription of one context. Raises InputRefused."""
    try:
        policy = pinned_policy(context.policy, policies)
    except InputRefused as error:
        raise InputRefused(context_faults(asdict(context), policies)) from error
    return prescribe(context, policy) if detail == "full" else prescribe_brief(context, policy)


@post(
    "/v1/prescriptions",
    operation_id="createPrescription",
    summary="Prescribe one set",
    tags=["Prescriptions"],
    status_code=200,
    scopes=("prescribe",),
    body=SetContext,
    rules=context_faults,
    query=DETAIL,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
)
async def create_prescription(
    request: Request[Any, Any, Any], data: JSONBody[SetContext], detail: DetailParameter = "full"
) -> Response[Prescribed]:
    """Reps in reserve [repetitions] for one set, with the reasons, which add up to the target."""
    spoken = spoken_by(request)
    found = prescribed(data, detail, spoken.policies)
    request.app.state.metrics.prescribed(found.decision, detail)
    return answer(request, found, headers=spoken.headers)


def _item(
    index: int, value: Any, detail: Detail, policies: Policies, problem_at: dict[str, str]
) -> BatchItem:
    rules = partial(context_faults, policies=policies)
    try:
        found = prescribed(valid(value, SetContext, rules), detail, policies)
    except ServiceError as error:
        problem = problem_of(error, **problem_at)
        return BatchItem(index=index, status=problem.status, problem=problem)
    return BatchItem(index=index, status=200, prescription=found)


async def _turns(
    request: Request[Any, Any, Any], contexts: tuple[Any, ...], detail: Detail, policies: Policies
) -> AsyncIterator[list[BatchItem]]:
    """Yield the answers in order, as many at once as are worked out before other requests have their turn."""
    metrics, turn = request.app.state.metrics, list[BatchItem]()
    problem_at = {
        "instance": request.scope["path"],
        "request_id": str(request.scope.get("effort_request_id", "")),
    }
    for index, value in enumerate(contexts):
        item = _item(index, value, detail, policies, problem_at)
        turn.append(item)
        if item.prescription is not None:
            metrics.prescribed(item.prescription.decision, detail)
        if index % CONTEXTS_PER_TURN == 0 or item.problem:  # explaining faults costs the most
            yield turn
            turn = []
            await asyncio.sleep(0)  # let other requests have their turn
    yield turn


@post(
    "/v1/prescriptions/batch",
    operation_id="createPrescriptions",
    summary="Prescribe up to 1000 sets",
    tags=["Prescriptions"],
    status_code=200,
    scopes=("prescribe",),
    body=BatchBody,
    documented_body=Batch,
    cost=lambda body: len(body.contexts),
    query=DETAIL,
    headers=SPEAKS,
    answer_headers=SPOKEN_HEADERS,
    lines_too="Each entry of `results` as a line of its own, in order, sent as it is ready.",
)
async def create_prescriptions(
    request: Request[Any, Any, Any], data: JSONBody[BatchBody], detail: DetailParameter = "full"
) -> Response[BatchAnswer]:
    """One answer a context, in order; a bad context never spoils the others. 200 however many failed."""
    spoken = spoken_by(request)
    turns = _turns(request, data.contexts, detail, spoken.policies)
    if wants_lines(request.headers.get("accept", "")):
        headers = {"cache-control": "no-store", **spoken.headers}
        return Stream(_lines(turns), media_type=NDJSON, headers=headers)  # type: ignore[return-value]  # its entries
    results = tuple([item async for turn in turns for item in turn])
    return answer(request, BatchAnswer(results=results), headers=spoken.headers)


async def _lines(turns: AsyncIterator[list[BatchItem]]) -> AsyncIterator[bytes]:
    async for turn in turns:
        yield msgspec.json.Encoder().encode_lines(turn)
