"""What every request passes before its handler: media type, size, readability, validity, in that order.

Body, query and header faults are told together.
"""

import re
from collections.abc import Callable, Mapping
from functools import partial
from itertools import islice
from typing import Any, Literal, NamedTuple
from urllib.parse import parse_qsl

from litestar import Request
from litestar.datastructures import MultiDict
from litestar.exceptions import ClientException, InternalServerException
from litestar.types import Empty
from msgspec import Struct
from msgspec.structs import asdict

from service.api.deprecation import heed_deprecation
from service.api.quotas import charge
from service.api.reading import MOST_FAULTS, Rules, decode, media_type_of, no_rules
from service.errors import BodyTooLarge, Fault, InputRefused, ServiceError, Unreadable
from service.rules.learning.performed import INSTANT_PATTERN, INSTANT_TOLD, LONGEST_INSTANT

MOST_DIGITS = 9


class QueryRule(NamedTuple):
    """What a query parameter may be: `wrong` says what is wrong with a value, or None."""

    wrong: Callable[[str], str | None]
    schema: dict[str, Any]
    description: str


def one_of(*values: str, default: str, description: str) -> QueryRule:
    """Return the rule of a closed vocabulary."""
    return QueryRule(
        lambda text: None if text in values else f"must be one of {', '.join(values)}",
        {"type": "string", "enum": list(values), "default": default},
        description,
    )


def matching(pattern: str, told: str, description: str, **schema: Any) -> QueryRule:
    """Return the rule of a pattern, told in words. Python's end anchor in it is published as `$`."""
    compiled = re.compile(pattern)
    published = {"type": "string", "pattern": pattern.replace("\\Z", "$"), **schema}
    return QueryRule(
        lambda text: None if compiled.search(text) else f"must be {told}", published, description
    )


def whole(low: int, high: int, default: int, description: str) -> QueryRule:
    """Return the rule of a whole number in a range."""

    def wrong(text: str) -> str | None:
        right = text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS and low <= int(text) <= high
        return None if right else f"must be a whole number from {low} to {high}"

    return QueryRule(
        wrong, {"type": "integer", "minimum": low, "maximum": high, "default": default}, description
    )


def instant(description: str) -> QueryRule:
    """Return the rule of an instant. A plus sign that was not escaped comes as a space."""
    told = f"{INSTANT_TOLD} (write + as %2B)"
    return matching(INSTANT_PATTERN, told, description, maxLength=LONGEST_INSTANT)


def _query_faults(request: Request[Any, Any, Any], rules: dict[str, QueryRule]) -> list[Fault]:
    found, seen = [], set()
    for name, value in request.query_params.multi_items():
        shown = str(name)[:60]
        if name not in rules and name in seen:
            continue  # told already
        if name not in rules:
            known = ", ".join(sorted(rules)) or "none"
            found.append(Fault(shown, f"unknown query parameter; known: {known}", "parameter"))
        elif name in seen:
            found.append(Fault(shown, "is repeated; send it once", "parameter"))
        elif (wrong := rules[name].wrong(value)) is not None:
            found.append(Fault(shown, wrong, "parameter"))
        seen.add(name)
    return found


def _named_faults(
    values: Mapping[str, str], rules: dict[str, QueryRule], where: Literal["parameter", "header"]
) -> list[Fault]:
    return [
        Fault(name, wrong, where)
        for name, rule in rules.items()
        if (value := values.get(name)) is not None and (wrong := rule.wrong(value)) is not None
    ]


def _header_faults(request: Request[Any, Any, Any], rules: dict[str, QueryRule]) -> list[Fault]:
    """Faults of headers under their usual names; lines of one name are one value, as RFC 9110 has it."""
    sent = {name: ", ".join(request.headers.getall(name)) for name in rules if name in request.headers}
    found = _named_faults(sent, rules, "header")
    return [Fault(fault.place.title(), fault.detail, fault.where) for fault in found]


async def read_body(request: Request[Any, Any, Any], kind: type[Any], rules: Rules = no_rules) -> Any:
    """Return the body as `kind`. Raises MediaTypeRefused, BodyTooLarge, Unreadable, InputRefused."""
    media_type = media_type_of(
        request.headers.get("content-type", ""), request.headers.get("content-encoding", "")
    )
    try:
        body = await request.body()
    except ClientException as error:
        raise BodyTooLarge(f"the body is over {request.app.request_max_body_size} bytes") from error
    except InternalServerException as error:  # Litestar's word for a caller who hung up
        raise Unreadable("the connection ended before the body did") from error
    return decode(body, media_type, kind, rules)


async def admit(request: Request[Any, Any, Any]) -> None:
    """Check the whole request and take its cost. Raises as `read_body`, TooManyRequests, and Gone.

    The cost is 1 item, also of what fails; a handler with `cost` tells that of a good body.
    """
    try:
        heed_deprecation(request)
        body = await _checked(request)
    except ServiceError:
        await charge(request, 1)
        raise
    cost: Callable[[Any], int] | None = request.route_handler.opt.get("cost")
    await charge(request, 1 if cost is None else cost(body))


async def _checked(request: Request[Any, Any, Any]) -> Struct | None:
    """Return the decoded body, which also waits in the scope for the handler.

    A handler with `rules_always` leaves it to them; others check what types cannot say by themselves.
    """
    opt = request.route_handler.opt
    kind: type[Struct] | None = opt.get("body")
    told = {"policies": request.app.state.policies}
    if opt.get("rules_read_path"):
        told["path"] = request.path_params
    rules: Rules = partial(opt["rules"], **told) if "rules" in opt else no_rules
    body: Struct | None = None
    in_body: tuple[Fault, ...] = ()
    faults: list[Fault] = []
    if kind is not None:
        try:
            body = request.scope["effort_body"] = await read_body(request, kind, rules)  # type: ignore[typeddict-unknown-key]  # ours
        except InputRefused as error:
            in_body = error.faults
    faults += _named_faults(request.path_params, opt.get("path_rules", {}), "parameter")
    faults += _query_faults(request, opt.get("query", {}))
    faults += _header_faults(request, opt.get("headers", {}))
    if body is not None and (faults or opt.get("rules_always")):
        in_body = tuple(islice(rules(asdict(body)), MOST_FAULTS))
    if faults or in_body:
        raise InputRefused((*in_body, *faults)[:MOST_FAULTS])
    return body


class StrictRequest(Request[Any, Any, Any]):
    """A request whose body was decoded strictly by `admit`; Litestar's own lax decoding is never used."""

    @property
    def query_params(self) -> MultiDict[str]:
        """Return the query's parameters.

        Litestar keeps those of the last thousand queries, each as long as a head may be: anybody could fill a gigabyte.
        """
        if self._parsed_query is Empty:
            sent = self.scope["query_string"].decode("latin-1")
            self._parsed_query = tuple(parse_qsl(sent, keep_blank_values=True))
        return MultiDict(self._parsed_query)

    async def json(self) -> Any:
        """Return the body as the Struct the handler takes."""
        return self.scope["effort_body"]  # type: ignore[typeddict-item]  # ours
