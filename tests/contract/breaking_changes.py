"""What would break a caller of the released document: an empty list, or one line for each place.

Requests may take more and answers may say more; nothing that was taken may be refused, nothing that was answered may
go. Not counted, because callers are told to expect it: new members and operations, new statuses, values added to a
catalogue that grows with a policy (`schema_changes.GROWING`), wording.
"""

from collections.abc import Iterator
from typing import Any

from tests.contract.schema_changes import Comparison, Side

Node = dict[str, Any]
METHODS = ("get", "put", "post", "patch", "delete", "head", "options", "trace")


def breaking_changes(released: Node, present: Node) -> list[str]:
    """Return every change of `present` that a caller of `released` would notice, each told with its place."""
    return list(dict.fromkeys(_document(released, present)))


def _document(released: Node, present: Node) -> Iterator[str]:
    components, now = released["components"]["schemas"], present["components"]["schemas"]
    comparison = Comparison(components, now)
    for name in sorted(components.keys() - now.keys()):
        yield f"schema {name}: gone; generated clients name their types after it"
    for server in released.get("servers", []):
        if server["url"] not in [each["url"] for each in present.get("servers", [])]:
            yield f"server {server['url']}: gone"
    there = dict(_operations(present))
    for where, operation in _operations(released):
        if where in there:
            yield from _operation(operation, there[where], where, comparison)
        else:
            yield f"{where}: gone"


def _operations(document: Node) -> Iterator[tuple[str, Node]]:
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield f"{method.upper()} {path}", item[method]


def _operation(old: Node, new: Node, where: str, comparison: Comparison) -> Iterator[str]:
    if old["operationId"] != new["operationId"]:
        yield f"{where}: operationId {old['operationId']} is now {new['operationId']}"
    if old.get("tags", [None])[0] != new.get("tags", [None])[0]:
        yield f"{where}: another first tag; generated clients name their modules after it"
    yield from _security(old, new, where)
    yield from _parameters(old, new, where, comparison)
    yield from _body(old.get("requestBody"), new.get("requestBody"), where, comparison)
    for status, response in old["responses"].items():
        if status in new["responses"]:
            yield from _response(response, new["responses"][status], f"{where} {status}", comparison)
        else:
            yield f"{where} {status}: no longer answered"


def _security(old: Node, new: Node, where: str) -> Iterator[str]:
    """Whoever was let in still is: each way in has a present one that asks for no more."""
    ways = new.get("security") or [{}]
    for way in old.get("security") or [{}]:
        if not any(_asks_no_more(each, way) for each in ways):
            yield f"{where}: asks for more than {way or 'nothing'}"


def _asks_no_more(new: Node, old: Node) -> bool:
    return all(scheme in old and set(scopes) <= set(old[scheme]) for scheme, scopes in new.items())


def _parameters(old: Node, new: Node, where: str, comparison: Comparison) -> Iterator[str]:
    before, now = _by_place(old), _by_place(new)
    for place, parameter in now.items():
        must = parameter.get("required", False)
        if must and not before.get(place, {}).get("required", False):
            yield f"{where} {' '.join(place)}: required in requests"
    for place, parameter in before.items():
        told = f"{where} {' '.join(place)}"
        if place not in now:
            yield f"{told}: removed from requests"
        else:
            yield from comparison.changes(parameter["schema"], now[place]["schema"], told, "request")


def _by_place(operation: Node) -> dict[tuple[str, str], Node]:
    """Parameters by where they stand and their name; names of headers know no case."""
    return {
        (each["in"], each["name"].lower() if each["in"] == "header" else each["name"]): each
        for each in operation.get("parameters", ())
    }


def _body(old: Node | None, new: Node | None, where: str, comparison: Comparison) -> Iterator[str]:
    if new is not None and new.get("required") and not (old or {}).get("required"):
        yield f"{where} body: required in requests"
    if old is not None and new is None:
        yield f"{where} body: removed from requests"
    if old is not None and new is not None:
        yield from _content(old["content"], new["content"], f"{where} body", "request", comparison)


def _response(old: Node, new: Node, where: str, comparison: Comparison) -> Iterator[str]:
    headers = {name.lower(): header for name, header in new.get("headers", {}).items()}
    for name, header in old.get("headers", {}).items():
        if name.lower() not in headers:
            yield f"{where} header {name}: no longer answered"
        else:
            schema = headers[name.lower()]["schema"]
            yield from comparison.changes(header["schema"], schema, f"{where} header {name}", "answer")
    yield from _content(old.get("content", {}), new.get("content", {}), where, "answer", comparison)


def _content(old: Node, new: Node, where: str, side: Side, comparison: Comparison) -> Iterator[str]:
    for media_type, content in old.items():
        if media_type not in new:
            yield f"{where}: no longer in {media_type}"
        else:
            schemas = content.get("schema", {}), new[media_type].get("schema", {})
            yield from comparison.changes(*schemas, where, side)
