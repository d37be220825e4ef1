"""The shortcut of the hottest call with a history: POST /v1/lifters/{lifter_id}/prescriptions.

Like `shortcut` it knows only success; everything else goes to the documented handler, which does the same work by the
same function. A conformance test asks both ways and compares.
"""

import re
from typing import Any

import msgspec

from service.api.edge import Receive, Scope, Send, Shortcut
from service.api.languages import language_of
from service.api.lifter_prescriptions import filled_context
from service.api.lifters import LIFTER_ID_PATTERN
from service.api.prescriptions import Detail, Done
from service.api.shortcut import announced, let_in, read_whole, replay, send_done
from service.rules.learning.context import LifterSetContext
from service.rules.written.write import written
from service.storage.tenancy import Reach

TEMPLATE = "/v1/lifters/{lifter_id}/prescriptions"
_PLAIN_ID = LIFTER_ID_PATTERN.removeprefix("^").removesuffix(r"\Z")
_PATH = re.compile(rf"/v1/lifters/({_PLAIN_ID})/prescriptions")
SCOPES = frozenset({"prescribe", "history:read"})
# What is asked for by a query: detail, and whether a load is suggested. Others are for the documented handler.
ASKED: dict[bytes, tuple[Detail, bool]] = {
    b"": ("full", False),
    b"detail=full": ("full", False),
    b"detail=brief": ("brief", False),
    b"suggest_load=true": ("full", True),
    b"detail=full&suggest_load=true": ("full", True),
    b"detail=brief&suggest_load=true": ("brief", True),
}
_DECODE = msgspec.json.Decoder(LifterSetContext).decode
_ENCODE = msgspec.json.Encoder().encode


async def _done(
    state: Any, reach: Reach, lifter_id: str, body: bytes, asked: tuple[Detail, bool], code: str
) -> Done:
    """Return the answer to a body, in the language of that code.

    Raises whatever is wrong with it, and StorageUnavailable.
    """
    (detail, suggests), context = asked, _DECODE(body)
    filled = await filled_context(state, reach, lifter_id, context)
    plain = written(filled.context_used, state.languages.policies(code).get(context.policy), detail)
    parts = [plain.body[:-1], b',"context_used":', _ENCODE(filled.context_used)]
    if suggests:
        parts += (b',"suggested_load":', _ENCODE(filled.suggested_load))
    return Done(b"".join((*parts, b"}")), 1, {plain.decision: 1})


def make_lifter_shortcut(state: Any, max_body_bytes: int) -> Shortcut:
    """Return the shortcut for an application's state: `keyring`, `languages`, `basis`, `store`, `quotas`, `metrics`."""

    async def shortcut(scope: Scope, receive: Receive, send: Send) -> Receive | None:
        path, asked = _PATH.fullmatch(scope["path"]), ASKED.get(scope["query_string"])
        if path is None or asked is None or scope["method"] != "POST":
            return receive
        sent, quotas = dict(scope["headers"]), state.quotas
        principal, length = let_in(scope["headers"], sent, state.keyring, SCOPES), announced(sent)
        if principal is None or length > max_body_bytes or quotas.left(principal, 1).retry_after_seconds:
            return receive
        messages, body = await read_whole(receive, length)
        if body is None:
            return replay(messages, receive)
        code = language_of(sent.get(b"accept-language", b"").decode("latin-1"))
        try:
            done = await _done(state, principal.reach, path[1], body, asked, code)
        except Exception as error:  # noqa: BLE001 - a defect, too, is answered and logged by the documented way
            scope["effort_failed"] = error  # when the database is away, asking once more takes as long again
            return replay(messages, receive)
        taken = await quotas.take(principal, done.cost)
        if taken.retry_after_seconds:
            return replay(messages, receive)
        for decision, count in done.decisions.items():
            state.metrics.prescribed(decision, asked[0], count)
        scope["path_template"], scope["effort_principal"] = TEMPLATE, principal
        await send_done(done, code, taken.headers, scope["effort_request_id"], send)
        return None

    return shortcut


def first_of(one: Shortcut, other: Shortcut) -> Shortcut:
    """Return a shortcut that lets `other` have what `one` did not take."""

    async def either(scope: Scope, receive: Receive, send: Send) -> Receive | None:
        rest = await one(scope, receive, send)
        # What `one` has read it gives back in another `receive`: it was a request for `one`, and goes on from there.
        return await other(scope, rest, send) if rest is receive else rest

    return either
