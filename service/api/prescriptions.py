"""Prescriptions: one set, or many in one call."""

import asyncio
from functools import partial
from typing import Annotated, Any, Literal

from litestar import Request, Response, post
from litestar.params import JSONBody, QueryParameter
from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.api.admission import one_of
from service.api.answers import answer
from service.api.problems import Problem, problem_of
from service.api.reading import valid
from service.api.whole_faults import context_faults
from service.errors import Fault, InputRefused, PolicyNotFound, ServiceError
from service.pictures.prescription import draw_prescription
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
    picture=True,
)
async def create_prescription(
    request: Request[Any, Any, Any], data: JSONBody[SetContext], detail: DetailParameter = "full"
) -> Response[Prescribed]:
    """Reps in reserve [repetitions] for one set, with the reasons, which add up to the target."""
    found = prescribed(data, detail, request.app.state.policies)
    request.app.state.metrics.prescribed(found.decision, detail)
    return answer(request, found, picture=partial(draw_prescription, rep_target=data.rep_target))


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
)
async def create_prescriptions(
    request: Request[Any, Any, Any], data: JSONBody[BatchBody], detail: DetailParameter = "full"
) -> Response[BatchAnswer]:
    """One answer a context, in order; a bad context never spoils the others. 200 however many failed."""
    problem_at = {
        "instance": request.scope["path"],
        "request_id": str(request.scope.get("effort_request_id", "")),
    }
    results: list[BatchItem] = []
    for index, value in enumerate(data.contexts):
        results.append(_item(index, value, detail, request.app.state.policies, problem_at))
        if results[-1].prescription is not None:
            request.app.state.metrics.prescribed(results[-1].prescription.decision, detail)
        if index % CONTEXTS_PER_TURN == 0 or results[-1].problem:  # explaining faults costs the most
            await asyncio.sleep(0)  # let other requests have their turn
    return answer(request, BatchAnswer(results=tuple(results)))
