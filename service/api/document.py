"""The OpenAPI 3.1 document, made from the routes themselves: what is served is described, and the reverse."""

import inspect
import json
from functools import lru_cache
from pathlib import Path
from typing import Any, get_args, get_type_hints

from litestar import Litestar, Request, Response, get
from litestar.handlers import HTTPRouteHandler
from litestar.routes import HTTPRoute

from service import __version__
from service.api.answers import NDJSON, OPEN_CACHE
from service.api.deprecation import GONE, Deprecation, documented, documented_headers
from service.api.document_texts import (
    DESCRIPTION,
    PATH_EXAMPLES,
    QUOTA_HEADERS,
    RESPONSE_HEADERS,
    RETRY_AFTER,
    SECURITY_SCHEMES,
    TAGS,
)
from service.api.problem_types import PROBLEM_TYPES
from service.api.problems import PROBLEM_JSON, Problem
from service.api.reading import JSON, MESSAGEPACK
from service.api.schema_rules import with_rules
from service.api.schemas import REF, schemas_for
from service.api.shedding import NEVER_SHED
from service.pictures import drawing

_PACKAGED = Path(__file__).parents[1] / "_openapi"
FOLDER = _PACKAGED if _PACKAGED.exists() else Path(__file__).parents[2] / "openapi"
DOCUMENT_PATH = FOLDER / "openapi.json"
EXAMPLES = FOLDER / "examples"
ORDER = ("get", "put", "post", "patch", "delete")
OK, NO_CONTENT = 200, 204
INVALID = str(PROBLEM_TYPES["invalid-input"].status)
TOO_MANY, UNAVAILABLE = PROBLEM_TYPES["too-many-requests"].status, PROBLEM_TYPES["overloaded"].status


def _routes(app: Litestar) -> list[tuple[str, str, HTTPRouteHandler]]:
    """Path template, method and handler of every documented operation, in a stable order."""
    found = []
    for route in app.routes:
        if isinstance(route, HTTPRoute):
            for handler in route.route_handlers:
                if handler.include_in_schema is not False and "OPTIONS" not in handler.http_methods:
                    found += [
                        (route.path_format, str(method).lower(), handler) for method in handler.http_methods
                    ]
    return sorted(found, key=lambda entry: (entry[0], ORDER.index(entry[1])))


def _answer_type(handler: HTTPRouteHandler) -> Any:
    annotation = get_type_hints(handler.fn, include_extras=True)["return"]
    return get_args(annotation)[0]


def _path_parameters(path: str, handler: HTTPRouteHandler) -> list[dict[str, Any]]:
    hints = get_type_hints(handler.fn, include_extras=True)
    parameters = []
    for name in inspect.signature(handler.fn).parameters:
        if f"{{{name}}}" in path:
            described = next(
                (m.description for m in hints[name].__metadata__ if getattr(m, "description", None)), ""
            )
            rule = handler.opt.get("path_rules", {}).get(name)
            schema = {"type": "string", "minLength": 1} if rule is None else rule.schema
            parameters.append(
                {
                    "name": name,
                    "in": "path",
                    "required": True,
                    "description": described,
                    "schema": schema,
                    "example": PATH_EXAMPLES[name],
                }
            )
    return parameters


def _sent_parameters(handler: HTTPRouteHandler) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "in": where,
            "required": False,
            "description": rule.description,
            "schema": rule.schema,
        }
        for where, option in (("query", "query"), ("header", "headers"))
        for name, rule in sorted(handler.opt.get(option, {}).items())
    ]


def _deprecation(handler: HTTPRouteHandler) -> Deprecation | None:
    found: Deprecation | None = handler.opt.get("deprecation")
    return found


def _error_statuses(path: str, handler: HTTPRouteHandler) -> list[int]:
    statuses = {500, *handler.opt.get("problems", ())}
    if handler.opt.get("scopes"):
        statuses |= {401, 403, TOO_MANY}
    if path not in NEVER_SHED:
        statuses |= {UNAVAILABLE}
    if "body" in handler.opt:
        statuses |= {400, 408, 413, 415}
    if "{" in path and not handler.opt.get("never_missing"):
        statuses |= {404}
    if (ending := _deprecation(handler)) is not None and ending.sunset is not None:
        statuses |= {GONE}
    return sorted(statuses | {422})  # an unknown query parameter is refused everywhere


@lru_cache(maxsize=1)
def _titles() -> dict[int, str]:
    found: dict[int, str] = {}
    for kind in PROBLEM_TYPES.values():
        found[kind.status] = f"{found[kind.status]}, or: {kind.title}" if kind.status in found else kind.title
    return found


def examples_of(operation_id: str, side: str) -> dict[str, Any]:
    """Return the example files `<operationId>.<name>.<side>.json` of one operation, by name.

    Sides: `request` and its `response` (`brief` when asked with `detail=brief`); `refused` and its `problem`.
    """
    found = {}
    for path in sorted(EXAMPLES.glob(f"{operation_id}.*.{side}.json")):
        name = path.name.split(".")[1] + ("-brief" if side == "brief" else "")
        found[name] = {"value": json.loads(path.read_text("utf-8"))}
    return found


def _error_responses(path: str, handler: HTTPRouteHandler) -> dict[str, Any]:
    responses = {}
    for status in _error_statuses(path, handler):
        response: dict[str, Any] = {
            "description": _titles()[status],
            "headers": dict(RESPONSE_HEADERS),
            "content": {PROBLEM_JSON: {"schema": {"$ref": REF.format(name="Problem")}}},
        }
        if status in (TOO_MANY, UNAVAILABLE):
            response["headers"] |= RETRY_AFTER
        if status == TOO_MANY:
            response["headers"] |= QUOTA_HEADERS
        responses[str(status)] = response
    refused = examples_of(str(handler.operation_id), "problem")
    if refused:
        responses[INVALID]["content"][PROBLEM_JSON]["examples"] = refused
    return responses


def _content(schema: dict[str, Any], examples: dict[str, Any]) -> dict[str, Any]:
    plain = {"schema": schema, "examples": examples} if examples else {"schema": schema}
    return {JSON: plain, MESSAGEPACK: {"schema": schema}}


def _answer_content(handler: HTTPRouteHandler, answer: dict[str, Any]) -> dict[str, Any]:
    if text := handler.opt.get("text"):
        return {text.partition(";")[0]: {"schema": {"type": "string"}}}
    if only := handler.opt.get("media_type_only"):
        return {only: {"schema": answer}}
    operation_id = str(handler.operation_id)
    content = _content(answer, examples_of(operation_id, "response") | examples_of(operation_id, "brief"))
    if told := handler.opt.get("lines_too"):
        content[NDJSON] = {"schema": {"type": "string", "description": told}}
    if handler.opt.get("html"):
        content["text/html"] = {"schema": {"type": "string"}}
    if handler.opt.get("picture"):
        content[drawing.MEDIA_TYPE] = {
            "schema": {"type": "string", "description": "The answer as a picture."}
        }
    if handler.opt.get("json_only"):
        content.pop(MESSAGEPACK)
    return content


def _successes(handler: HTTPRouteHandler, answer: dict[str, Any]) -> dict[str, Any]:
    """Answers to what is right, by status: the statuses a handler names, 200 when it names none."""
    quota = QUOTA_HEADERS if handler.opt.get("scopes") else {}
    headers = {**RESPONSE_HEADERS, **quota, **handler.opt.get("answer_headers", {})}
    headers |= documented_headers(_deprecation(handler))
    response: dict[str, Any] = {"description": "Success.", "headers": headers}
    found = {}
    for status in handler.opt.get("statuses", (OK,)):
        found[str(status)] = dict(response)
        if status != NO_CONTENT:
            found[str(status)]["content"] = _answer_content(handler, answer)
        if (links := handler.opt.get("links")) and status != NO_CONTENT:
            found[str(status)]["links"] = links
    return found


def _described(handler: HTTPRouteHandler, scopes: list[str]) -> str:
    description = inspect.getdoc(handler.fn) or ""
    if (ending := _deprecation(handler)) is not None:
        description = f"{ending.told}\n\n{description}"
    if not scopes:
        return description
    told = " and ".join(f"`{scope}`" for scope in scopes)
    bound = " that is bound to no site" if handler.opt.get("whole_tenant") else ""
    return f"{description}\n\nNeeds a key with the scope {told}{bound}."


def _operation(
    path: str, handler: HTTPRouteHandler, answer: dict[str, Any], body: dict[str, Any] | None
) -> dict[str, Any]:
    operation_id = str(handler.operation_id)
    scopes = list(handler.opt.get("scopes", ()))
    operation: dict[str, Any] = {
        "operationId": operation_id,
        "summary": handler.summary,
        "description": _described(handler, scopes),
        "tags": list(handler.tags or ()),
        **documented(_deprecation(handler)),
        # Either of them, with all the scopes.
        "security": [{name: scopes} for name in SECURITY_SCHEMES] if scopes else [],
        "responses": {**_successes(handler, answer), **_error_responses(path, handler)},
    }
    if parameters := [*_path_parameters(path, handler), *_sent_parameters(handler)]:
        operation["parameters"] = parameters
    if body is not None:
        content = _content(body, examples_of(operation_id, "request"))
        if handler.opt.get("json_body"):
            content.pop(MESSAGEPACK)
        operation["requestBody"] = {"required": True, "content": content}
    return operation


def build_document(app: Litestar) -> dict[str, Any]:
    """Return the document of `app`'s routes as builtins."""
    routes = _routes(app)
    bodies = [handler.opt.get("documented_body", handler.opt.get("body")) for _, _, handler in routes]
    kinds = [_answer_type(handler) for _, _, handler in routes]
    kinds += [body for body in bodies if body is not None] + [Problem]
    schemas, components = schemas_for(kinds)
    answers, sent = schemas[: len(routes)], iter(schemas[len(routes) :])
    paths: dict[str, Any] = {}
    for (path, method, handler), answer, body in zip(routes, answers, bodies, strict=True):
        schema = None if body is None else next(sent)
        paths.setdefault(path, {})[method] = _operation(path, handler, answer, schema)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Effort prescription",
            "version": __version__,
            "summary": "How close to failure a set should be taken, and why.",
            "description": DESCRIPTION,
            "contact": {
                "name": "The effort-prescription developers",
                "url": "https://example.org/effort-prescription",
            },
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/"}],
        "tags": TAGS,
        "paths": paths,
        "components": {
            "schemas": with_rules(components, app.state.policies),
            "securitySchemes": SECURITY_SCHEMES,
        },
    }


def document_bytes(app: Litestar) -> bytes:
    """Return the document as it is committed and served: the same bytes on every Python."""
    return (json.dumps(build_document(app), indent=2, ensure_ascii=False) + "\n").encode()


@get(
    "/openapi.json",
    operation_id="getDocument",
    summary="Read this document",
    tags=["Document"],
    json_only=True,
)
async def get_document(request: Request[Any, Any, Any]) -> Response[dict[str, Any]]:
    """The OpenAPI 3.1 document of this service."""
    state = request.app.state
    if "document" not in state:
        state["document"] = document_bytes(request.app)
    return Response(content=state["document"], media_type=JSON, headers={"cache-control": OPEN_CACHE})
