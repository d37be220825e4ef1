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
            "The Authorization header is missing, or its key or token is malformed, unknown, expired or revoked.",
            "Send `Authorization: Bearer <API key or token>` with a live one. Keys in the URL are never read.",
        ),
        ProblemType(
            "missing-scope",
            403,
            "API key lacks a scope",
            "The key is valid but was not given the scope this operation needs.",
            "Use a key made with that scope (`effort key create --scope ...`).",
        ),
        ProblemType(
            "bound-to-sites",
            403,
            "API key is bound to sites",
            "The key is bound to sites of its tenant, and the operation is about the whole tenant.",
            "Use a key that is bound to no site.",
        ),
        ProblemType(
            "not-found",
            404,
            "Not found",
            "There is nothing at this address, or it is not yours, or it belongs to a site your key is not bound to.",
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
            "body-too-slow",
            408,
            "Body too slow",
            "The body did not arrive within EFFORT_REQUEST_SECONDS (30 s unless set otherwise).",
            "Send fewer items in one call, or over a better connection.",
        ),
        ProblemType(
            "conflict",
            409,
            "Conflict",
            "A set_id is stored already with other content, a request with the same Idempotency-Key is running, a key "
            "was replaced already or asks for its own end, or a site is in use.",
            "Send the same content again, correct the stored set with PUT, or use a new id. While a request is "
            "running, try again after the seconds in Retry-After. Else do what `errors` says.",
        ),
        ProblemType(
            "gone",
            410,
            "Gone",
            "The operation was deprecated, its sunset was told in the headers Deprecation and Sunset, and has passed.",
            "Use what `detail` names; the link with rel successor-version leads there.",
        ),
        ProblemType(
            "precondition-failed",
            412,
            "Precondition failed",
            "If-Match names another state than the present one: somebody changed it since it was read. Or "
            "If-None-Match names the present one: it is there already.",
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
            "too-many-requests",
            429,
            "Too many requests",
            "The quota of the key or of its tenant is used up. Each context and each set costs one item, every other "
            "request one.",
            "Try again after the seconds in Retry-After. RateLimit (an IETF draft) says what is left.",
        ),
        ProblemType(
            "internal-error",
            500,
            "Internal error",
            "The service failed. It is a defect, not your request.",
            "Report the request_id. Trying again is safe.",
        ),
        ProblemType(
            "not-ready",
            503,
            "Not ready",
            "This process should not be sent requests now; `errors` names every failing check: `database`, `schema`, "
            "`draining`.",
            "Send requests to another replica. `database`: bring it back, nothing needs a restart. `schema`: run "
            "`effort migrate`.",
        ),
        ProblemType(
            "overloaded",
            503,
            "Overloaded",
            "The service works on as many requests as it can (EFFORT_MAX_IN_FLIGHT). Nothing of this one was done.",
            "Try again after the seconds in Retry-After.",
        ),
        ProblemType(
            "took-too-long",
            503,
            "Took too long",
            "No answer could be begun within EFFORT_REQUEST_SECONDS (30 s unless set otherwise). Nothing was stored.",
            "Try again after the seconds in Retry-After.",
        ),
        ProblemType(
            "store-unavailable",
            503,
            "Store unavailable",
            "The database cannot be reached, is locked, or is not migrated. Whether a write was stored may be unknown.",
            "Try again after the seconds in Retry-After; a write under the same Idempotency-Key or with the same ids.",
        ),
    )
}
