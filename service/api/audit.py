"""Reading the audit: who changed what and when. Entries are written by `auditing`, beside what they tell of."""

from typing import Annotated, Any
from uuid import UUID

from litestar import Request, Response, get
from litestar.params import PathParameter
from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.api.admission import QueryRule, instant, matching, whole
from service.api.answers import answer
from service.api.keyring import principal_of
from service.api.lifters import LIFTER_PATH
from service.api.list_pages import PAGE_LINKS, page_links
from service.errors import NotFound
from service.rules.learning.known import Micros, micros_of
from service.rules.learning.performed import instant_of
from service.storage.audit import OPERATIONS, Recorded, find_entry, page_of_entries
from service.storage.tenancy import reading_within

TAGS = ["Audit"]
MOST_ON_A_PAGE, ON_A_PAGE = 500, 100
QUERY = {
    "limit": whole(1, MOST_ON_A_PAGE, ON_A_PAGE, "Entries on a page."),
    "cursor": matching(
        r"^[0-9a-f]{32}\Z", "a cursor as `next` gives it", "Place to go on from: `next` of the page before."
    ),
    "operation": QueryRule(
        lambda text: None if text in OPERATIONS else f"must be one of {', '.join(OPERATIONS)}",
        {"type": "string", "enum": list(OPERATIONS)},
        "Only entries of this operation.",
    ),
    "lifter_id": LIFTER_PATH["lifter_id"]._replace(
        description="Only entries about this lifter, whose id you have to know: none can be read from the audit."
    ),
    "from": instant("Only entries recorded then or later."),
    "to": instant("Only entries recorded before."),
}
ENTRY_PATH = {
    "entry_id": matching(
        r"^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}\Z",
        "a UUID",
        "Id of the entry.",
        format="uuid",
    )
}
EntryId = Annotated[
    str, PathParameter(description="Id of the entry, as a page or an erasure's receipt gave it.")
]


class AuditEntry(Struct, frozen=True, kw_only=True):
    """One change: who, what, when, how much. Never changed or deleted, also when the lifter is erased."""

    entry_id: UUID
    recorded_at: Annotated[
        str, Meta(description="In UTC, to the millisecond.", extra_json_schema={"format": "date-time"})
    ]
    actor: Annotated[
        str,
        Meta(
            description="Who: `key:<key id>`, `token:<hash of the subject>`, or `command:<name>` of an operator."
        ),
    ]
    operation: Annotated[
        str, Meta(description="What was called: an operation of this document, or a command.")
    ]
    outcome: Annotated[str, Meta(description="created, changed, deleted, erased or revoked.")]
    lifter_tag: Annotated[
        str | None,
        Meta(
            description="The same for all entries about one lifter of yours; tells nothing of the id. Else null."
        ),
    ]
    object_id: Annotated[
        str | None, Meta(description="Id of the key, or name of the site, it was done to; else null.")
    ]
    request_id: Annotated[
        str | None,
        Meta(description="`X-Request-Id` of the request; all entries of one command share theirs."),
    ]
    sets: Annotated[int, Meta(ge=0, description="How many sets were stored, changed or deleted.")]


class AuditLog(Struct, frozen=True, kw_only=True):
    """Entries, newest first."""

    entries: tuple[AuditEntry, ...]
    next: Annotated[str | None, Meta(description="`cursor` of the page after this one; null on the last.")]


def _shown(recorded: Recorded) -> AuditEntry:
    at = recorded.recorded_at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return AuditEntry(**asdict(recorded) | {"recorded_at": at})


def _micros(text: str | None) -> Micros | None:
    return None if text is None else micros_of(instant_of(text))


@get(
    "/v1/audit",
    operation_id="listAudit",
    summary="List what was changed",
    tags=TAGS,
    scopes=("admin",),
    whole_tenant=True,
    query=QUERY,
    answer_headers=PAGE_LINKS,
    links={
        "getAuditEntry": {
            "operationId": "getAuditEntry",
            "parameters": {"entry_id": "$response.body#/entries/0/entry_id"},
        }
    },
)
async def list_audit(request: Request[Any, Any, Any]) -> Response[AuditLog]:
    """Pages of changes, newest first: one entry for each request that changed something, none for what changed nothing.

    A change shows once it is stored, seconds after its `recorded_at` at the latest.
    """
    reach, asked = principal_of(request).reach, request.query_params
    cursor = asked.get("cursor")
    async with reading_within(request.app.state.store, reach) as r:
        page = await page_of_entries(
            r,
            reach.tenant_id,
            limit=int(asked.get("limit", ON_A_PAGE)),
            cursor=None if cursor is None else UUID(hex=cursor),
            operation=asked.get("operation"),
            lifter_id=asked.get("lifter_id"),
            from_=_micros(asked.get("from")),
            to=_micros(asked.get("to")),
        )
    following = None if page.next is None else page.next.hex
    headers = page_links(request, following)
    return answer(
        request, AuditLog(entries=tuple(map(_shown, page.entries)), next=following), headers=headers
    )


@get(
    "/v1/audit/{entry_id:str}",
    operation_id="getAuditEntry",
    summary="Read one entry of the audit",
    tags=TAGS,
    scopes=("admin",),
    whole_tenant=True,
    path_rules=ENTRY_PATH,
)
async def get_entry(request: Request[Any, Any, Any], entry_id: EntryId) -> Response[AuditEntry]:
    """One change, by its id: for an erasure, what `Effort-Erasure-Receipt` named."""
    reach = principal_of(request).reach
    async with reading_within(request.app.state.store, reach) as r:
        found = await find_entry(r, reach.tenant_id, UUID(entry_id))
    if found is None:
        raise NotFound("no entry of this id")
    return answer(request, _shown(found))
