"""Lists of API keys over HTTP, without their secrets."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from litestar import Request, Response, get
from msgspec import Meta, Struct

from service.api.admission import matching, whole
from service.api.answers import answer
from service.api.keyring import principal_of
from service.api.keys import TAGS, ApiKey, shown
from service.api.list_pages import PAGE_LINKS, page_links
from service.rules.learning.known import EPOCH, micros_of
from service.storage.key_pages import KeyPosition, page_of_keys
from service.storage.tenancy import reading_within

MOST_ON_A_PAGE = ON_A_PAGE = 1000
INSTANT_DIGITS = 16  # of a cursor in hexadecimal; the key's id follows
LAST_MICROS = micros_of(datetime.max.replace(tzinfo=UTC))
PAGES = {
    "limit": whole(1, MOST_ON_A_PAGE, ON_A_PAGE, "Keys on a page."),
    "cursor": matching(
        r"^[0-9a-f]{16}[0-9A-Za-z]{12}\Z",
        "a cursor as `next` gives it",
        "Place to go on from: `next` of the page before.",
    ),
}


class ApiKeys(Struct, frozen=True, kw_only=True):
    """Keys, newest first."""

    keys: tuple[ApiKey, ...]
    next: Annotated[str | None, Meta(description="`cursor` of the page after this one; null on the last.")]


def cursor_of(position: KeyPosition) -> str:
    """Return a position as microseconds since 1970 in 16 hexadecimal digits, then the key's id."""
    return f"{micros_of(position.created_at):0{INSTANT_DIGITS}x}{position.key_id}"


def position_at(cursor: str) -> KeyPosition:
    """Return the position of a cursor: any 16 hexadecimal digits are a time, of those beyond the last one that one."""
    micros = min(int(cursor[:INSTANT_DIGITS], 16), LAST_MICROS)
    return KeyPosition(EPOCH + timedelta(microseconds=micros), cursor[INSTANT_DIGITS:])


@get(
    "/v1/keys",
    operation_id="listKeys",
    summary="List API keys",
    tags=TAGS,
    scopes=("admin",),
    query=PAGES,
    answer_headers=PAGE_LINKS,
)
async def list_keys(request: Request[Any, Any, Any]) -> Response[ApiKeys]:
    """Pages of the tenant's keys, newest first, revoked and expired ones too, never their secrets.

    A key bound to sites sees keys that are bound to no others.
    """
    reach, asked = principal_of(request).reach, request.query_params
    cursor = asked.get("cursor")
    async with reading_within(request.app.state.store, reach) as r:
        page = await page_of_keys(
            r,
            reach,
            limit=int(asked.get("limit", ON_A_PAGE)),
            cursor=None if cursor is None else position_at(cursor),
        )
    following = None if page.next is None else cursor_of(page.next)
    keys = tuple(ApiKey(**shown(record)) for record in page.keys)
    return answer(request, ApiKeys(keys=keys, next=following), headers=page_links(request, following))
