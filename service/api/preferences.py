"""What a caller would rather have (RFC 7240): `Prefer: return=minimal` spares the body of an answer to a write.

Preferences we do not know, `handling` among them, are passed over, as the standard asks; so is a value that makes no
sense.
"""

import re
from collections.abc import Mapping
from typing import Any, TypeVar

from litestar import Request, Response
from litestar.response.base import ASGIResponse

from service.api.admission import QueryRule
from service.api.answers import answer

T = TypeVar("T")
OK, CREATED, NO_CONTENT = 200, 201, 204
RETURNS = ("minimal", "representation")
PREFER = {
    "prefer": QueryRule(
        lambda _: None,  # what is not understood is passed over
        {"type": "string"},
        "With `return=minimal` the answer has no body: 204 in the place of 200, and 201 stays (RFC 7240). Status, ETag "
        "and other headers tell what there is to know. Other preferences are passed over.",
    )
}
APPLIED_HEADER = {
    "Preference-Applied": {
        "description": "`return=minimal` or `return=representation` when `Prefer` asked for it.",
        "schema": {"type": "string"},
    }
}
# RFC 7240, section 2: preference [ "=" value ] and parameters of it, which `return` has none of.
_RETURN = re.compile(r'\s*+return\s*+=\s*+(?:"([^"]*)"|([^\s;,"]*+))\s*+(?:;.*)?\Z', re.IGNORECASE)
# A text that never ends counts to the end, and nothing is tried twice: hostile headers cost linear time.
_PARTS = re.compile(r'(?:"(?:[^"\\]++|\\.)*+(?:"|\\?\Z)|[^,"])+')


class _Bare(Response[Any]):
    """An answer with neither a body nor the type of one, which Litestar would add to a 201."""

    def to_asgi_response(self, *args: Any, **kwargs: Any) -> ASGIResponse:
        """Return the answer as it is sent."""
        found = super().to_asgi_response(*args, **kwargs)
        found.headers.pop("content-type", None)
        return found


def preferred_return(request: Request[Any, Any, Any]) -> str | None:
    """Return `minimal` or `representation` where the first `return` of the request says so, else None."""
    sent = ",".join(request.headers.getall("prefer", []))
    for part in _PARTS.findall(sent):
        if (found := _RETURN.match(part)) is not None:
            value = (found[1] or found[2] or "").lower()
            return value if value in RETURNS else None
    return None


def written(
    request: Request[Any, Any, Any],
    value: T,
    *,
    status: int = OK,
    headers: Mapping[str, str] | None = None,
) -> Response[T]:
    """Return the answer to a write: `value`, or no body where the caller prefers none."""
    wanted = preferred_return(request)
    told = {**(headers or {}), **({"preference-applied": f"return={wanted}"} if wanted else {})}
    if wanted != "minimal":
        return answer(request, value, status=status, headers=told)
    bare = {"cache-control": "no-store", **told}
    return _Bare(content=b"", status_code=NO_CONTENT if status == OK else status, headers=bare)
