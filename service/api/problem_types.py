"""The closed list of problem types: what each means and how to mend it. Pages and DEVELOPERS.md are made from it."""

from typing import NamedTuple


class ProblemType(NamedTuple):
    """One kind of error. `slug` is stable; `status` is its HTTP status."""

    slug: str
    status: int
    title: str
    meaning: str
    mend: str


PROBLEM_TYPES = {
    kind.slug: kind
    for kind in (
        ProblemType(
            "unreadable-body",
            400,
            "Body cannot be read",
            "The body is empty, not JSON or MessagePack, not UTF-8, holds NaN or Infinity, has text after the value, "
            "or nests deeper than 64.",
            "Send one JSON or MessagePack value.",
        ),
        ProblemType(
            "unauthenticated",
            401,
            "No valid API key",
            "The Authorization header is missing, or its key is malformed, unknown, expired or revoked.",
            "Send `Authorization: Bearer <API key>` with a live key. Keys in the URL are never read.",
        ),
        ProblemType(
            "missing-scope",
            403,
            "API key lacks a scope",
            "The key is valid but was not given the scope this operation needs.",
            "Use a key made with that scope (`effort key create --scope ...`).",
        ),
        ProblemType(
            "not-found",
            404,
            "Not found",
            "There is nothing at this address, or it is not yours.",
            "Check the path and the id.",
        ),
        ProblemType(
            "method-not-allowed",
            405,
            "Method not allowed",
            "The address exists but does not take this method.",
            "Use one of the methods in the Allow header.",
        ),
        ProblemType(
            "conflict",
            409,
            "Conflict",
            "A set_id is stored already with other content, or a request with the same Idempotency-Key is running.",
            "Send the same content again, correct the stored set with PUT, or use a new id. While a request is "
            "running, try again after the seconds in Retry-After.",
        ),
        ProblemType(
            "precondition-failed",
            412,
            "Precondition failed",
            "If-Match names another state than the present one: somebody changed it since it was read.",
            "Read it again, and send its ETag.",
        ),
        ProblemType(
            "body-too-large",
            413,
            "Body too large",
            "The body is over the limit (EFFORT_MAX_BODY_BYTES, 2 MiB unless set otherwise).",
            "Send fewer items in one call.",
        ),
        ProblemType(
            "unsupported-media-type",
            415,
            "Unsupported media type",
            "The body has no or another Content-Type, or a Content-Encoding.",
            "Send `Content-Type: application/json` or `application/vnd.msgpack`, uncompressed.",
        ),
        ProblemType(
            "invalid-input",
            422,
            "Invalid input",
            "The request was read but is not valid. `errors` lists every bad member, parameter or header.",
            "Mend each entry of `errors`; `pointer` is a JSON Pointer into the body.",
        ),
        ProblemType(
            "internal-error",
            500,
            "Internal error",
            "The service failed. It is a defect, not your request.",
            "Report the request_id. Trying again is safe.",
        ),
        ProblemType(
            "store-unavailable",
            503,
            "Store unavailable",
            "The database cannot be reached, is locked, or is not migrated.",
            "Try again after the seconds in Retry-After.",
        ),
    )
}
