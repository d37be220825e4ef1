"""Prescriptions: one set, or many in one call."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Mapping
from functools import partial
from time import perf_counter
from typing import Annotated, Any, Literal, NamedTuple

import msgspec
from litestar import Request, Response, post
from litestar.params import JSONBody, QueryParameter
from litestar.response import Stream
from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.api.admission import one_of
from service.api.answers import NDJSON, answer, wanted_media_type, wants_lines
from service.api.languages import SPEAKS, SPOKEN_HEADERS, spoken_by
from service.api.problems import Problem, problem_of
from service.api.reading import JSON, valid
from service.api.whole_faults import context_faults
from service.errors import Fault, InputRefused, PolicyNotFound, ServiceError
from service.pictures.prescription import draw_prescription
from service.policy.catalogue import Policies
from service.rules.answer import BriefPrescription, Decision, Prescription
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from service.rules.written.write import written

Detail = Literal["full", "brief"]
DETAIL = {
    "detail": one_of(
        "full", "brief", default="full", description="`full`, or `brief`: what an app shows on every set."
    )
}
PATH, BATCH_PATH = "/v1/prescriptions", "/v1/prescriptions/batch"
MOST_CONTEXTS = 1000
TURN_SECONDS = 0.002  # of a batch; then other requests have theirs
MOST_IN_A_TURN = 100  # answers: so many lines are sent at once

Prescribed = Prescription | BriefPrescription
_DECODE = msgspec.json.Decoder(SetContext).decode
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


def _policy_for(context: SetContext, policies: Policies) -> Policy:
    """Return the policy of one context. Raises InputRefused with all that is wrong with the context."""
    try:
        return pinned_policy(context.policy, policies)
    except InputRefused as error:
        raise InputRefused(context_faults(asdict(context), policies)) from error


def prescribed(context: SetContext, detail: Detail, policies: Policies) -> Prescribed:
    """Return the prescription of one context. Raises InputRefused."""
    policy = _policy_for(context, policies)
    return prescribe(context, policy) if detail == "full" else prescribe_brief(context, policy)


_DECODE_BATCH = msgspec.json.Decoder(Batch).decode
_ENCODE_LINES = msgspec.json.Encoder().encode_lines


class Done(NamedTuple):
    """An answer as JSON, what it costs [items], and how often each decision stands in it."""

    body: bytes
    cost: int
    decisions: Mapping[Decision, int]


_ONCE: dict[Decision, Mapping[Decision, int]] = {"prescribe": {"prescribe": 1}, "withhold": {"withhold": 1}}


async def one_done(body: bytes, detail: Detail, policies: Policies) -> Done:
    """Return the answer to a body of one context. Raises whatever is wrong with it."""
    context = _DECODE(body)
    found = written(context, policies.get(context.policy), detail)
    return Done(found.body, 1, _ONCE[found.decision])


async def batch_done(body: bytes, detail: Detail, policies: Policies) -> Done:
    """Return the answer to a batch in which nothing is wrong. Raises whatever is wrong with any of it."""
    contexts = _DECODE_BATCH(body).contexts
    parts: list[bytes] = []
    decisions, turn_ends = Counter[Decision](), perf_counter() + TURN_SECONDS
    for index, context in enumerate(contexts):
        found = written(context, policies.get(context.policy), detail)
        parts += (b'},{"index":%d,"status":200,"prescription":' % index, found.body)
        decisions[found.decision] += 1
        if perf_counter() > turn_ends:
            await asyncio.sleep(0)  # let other requests have their turn
            turn_ends = perf_counter() + TURN_SECONDS
    return Done(b"".join([b'{"results":[', parts[0][2:], *parts[1:], b"}]}"]), len(contexts), decisions)


@post(
    PATH,
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
    picture=True,
)
async def create_prescription(
    request: Request[Any, Any, Any], data: JSONBody[SetContext], detail: DetailParameter = "full"
) -> Response[Prescribed]:
    """Reps in reserve [repetitions] for one set, with the reasons, which add up to the target."""
    spoken = spoken_by(request)
    found = prescribed(data, detail, spoken.policies)
    request.app.state.metrics.prescribed(found.decision, detail)
    picture = partial(draw_prescription, rep_target=data.rep_target)
    return answer(request, found, headers=spoken.headers, picture=picture)


def _item(
    index: int, value: Any, detail: Detail, packed: bool, policies: Policies, problem_at: dict[str, str]
) -> tuple[BatchItem, Decision | None]:
    """Return the answer to one context of a batch, as MessagePack when `packed`, and the decision in it, if any."""
    rules = partial(context_faults, policies=policies)
    try:
        context = valid(value, SetContext, rules)
        found = written(context, _policy_for(context, policies), detail)
    except ServiceError as error:
        problem = problem_of(error, **problem_at)
        return BatchItem(index=index, status=problem.status, problem=problem), None
    body = msgspec.msgpack.encode(msgspec.json.decode(found.body)) if packed else found.body
    return BatchItem(index=index, status=200, prescription=msgspec.Raw(body)), found.decision


async def _turns(
    request: Request[Any, Any, Any],
    contexts: tuple[Any, ...],
    detail: Detail,
    packed: bool,
    policies: Policies,
) -> AsyncIterator[list[BatchItem]]:
    """Yield the answers in order, as many at once as are worked out before other requests have their turn."""
    problem_at = {
        "instance": request.scope["path"],
        "request_id": str(request.scope.get("effort_request_id", "")),
    }
    turn: list[BatchItem] = []
    await asyncio.sleep(0)  # reading the body was a turn of its own
    turn_ends = perf_counter() + TURN_SECONDS
    for index, value in enumerate(contexts):
        item, decision = _item(index, value, detail, packed, policies, problem_at)
        turn.append(item)
        if decision is not None:
            request.app.state.metrics.prescribed(decision, detail)
        if len(turn) == MOST_IN_A_TURN or perf_counter() > turn_ends:
            yield turn
            turn = []
            await asyncio.sleep(0)
            turn_ends = perf_counter() + TURN_SECONDS
    yield turn
    await asyncio.sleep(0)


@post(
    BATCH_PATH,
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
    spoken, accepted = spoken_by(request), request.headers.get("accept", "")
    lines = wants_lines(accepted)
    packed = not lines and wanted_media_type(accepted) != JSON
    turns = _turns(request, data.contexts, detail, packed, spoken.policies)
    if lines:
        headers = {"cache-control": "no-store", **spoken.headers}
        return Stream(_lines(turns), media_type=NDJSON, headers=headers)  # type: ignore[return-value]  # its entries
    results = tuple([item async for turn in turns for item in turn])
    return answer(request, BatchAnswer(results=results), headers=spoken.headers)


async def _lines(turns: AsyncIterator[list[BatchItem]]) -> AsyncIterator[bytes]:
    async for turn in turns:
        yield _ENCODE_LINES(turn)
