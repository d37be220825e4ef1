"""API keys over HTTP, for the tenant's admin: made, rotated, revoked; `key_lists` lists them.

Nobody gives what they have not: scopes and sites of a key are among those of the key that makes or rotates it.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from litestar import Request, Response, delete, post
from litestar.params import JSONBody, PathParameter
from msgspec import Meta, Struct

from service.api.admission import matching
from service.api.answers import answer
from service.api.auditing import audited
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.lifter_sites import SiteName
from service.errors import Conflicting, Fault, Forbidden, InputRefused, NotFound
from service.storage.engine import Writing
from service.storage.key_rotation import OVERLAP_HOURS, hold_key, revoke_key, rotate_key
from service.storage.keys import LABEL_PATTERN, LONGEST_LABEL, KeyRecord, Principal, add_key
from service.storage.sites import hold_sites
from service.storage.tenancy import writing_within

TAGS = ["Keys and sites"]
MOST_SITES = 100
Scope = Literal["prescribe", "history:read", "history:write", "admin"]
KEY_PATH = {
    "key_id": matching(r"^[0-9A-Za-z]{12}\Z", "the 12 letters and digits of a key's id", "Id of the key.")
}
KeyId = Annotated[str, PathParameter(description="Id of the key, as it was made or listed.")]
Time = Annotated[str, Meta(extra_json_schema={"format": "date-time"})]


class ApiKey(Struct, frozen=True, kw_only=True):
    """One key, without its secret. Times are UTC; null means never, without end, or not replaced."""

    key_id: str
    label: str | None
    scopes: tuple[Scope, ...]
    sites: Annotated[
        tuple[str, ...] | None, Meta(description="Sites it is bound to; null: the whole tenant.")
    ]
    created_at: Time
    last_used_at: Annotated[Time | None, Meta(description="To the minute.")]
    expires_at: Time | None
    revoked_at: Time | None
    replaced_by: Annotated[str | None, Meta(description="Id of its successor.")]


class NewApiKey(ApiKey, frozen=True, kw_only=True):
    """A key just made."""

    api_key: Annotated[str, Meta(description="The key itself. It is shown here and never again.")]


class KeyWanted(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A key to make. Scopes and sites have to be among those of the key that asks."""

    scopes: Annotated[tuple[Scope, ...], Meta(min_length=1, max_length=4)]
    sites: (
        Annotated[
            tuple[SiteName, ...],
            Meta(
                min_length=1,
                max_length=MOST_SITES,
                description="Sites to bind it to; left out: the whole tenant.",
            ),
        ]
        | None
    ) = None
    label: (
        Annotated[
            str,
            Meta(max_length=LONGEST_LABEL, pattern=LABEL_PATTERN, description="A note to tell keys apart."),
        ]
        | None
    ) = None
    expires_in_days: (
        Annotated[float, Meta(ge=0.01, le=36_500, description="Lifetime [days]; left out: without end.")]
        | None
    ) = None


class Rotation(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How a key is replaced."""

    overlap_hours: (
        Annotated[
            float,
            Meta(
                ge=OVERLAP_HOURS.least,
                le=OVERLAP_HOURS.most,
                description="How long the old key goes on working [hours]; left out: "
                f"{OVERLAP_HOURS.usual:g}.",
            ),
        ]
        | None
    ) = None


def unknown_key() -> NotFound:
    """Return the error for a key that is not live, or not there, or beyond the caller's sites."""
    return NotFound("no live key of this id")


def _told(instant: datetime | None) -> str | None:
    return None if instant is None else instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def shown(record: KeyRecord) -> dict[str, Any]:
    """Return the members of a key as the API shows it."""
    times = ("created_at", "last_used_at", "expires_at", "revoked_at")
    return {
        "key_id": record.key_id,
        "label": record.label,
        "scopes": tuple(sorted(record.scopes)),
        "sites": None if record.sites is None else tuple(sorted(record.sites)),
        "replaced_by": record.replaced_by,
    } | {name: _told(getattr(record, name)) for name in times}


def require_scopes(caller: Principal, scopes: Iterable[str]) -> None:
    """Raise Forbidden for a scope the caller lacks: no key gets what its maker has not."""
    for scope in sorted(set(scopes) - caller.scopes):
        raise Forbidden(scope)


async def _require_sites(w: Writing, caller: Principal, sites: tuple[str, ...] | None) -> None:
    own = ", ".join(sorted(caller.sites or ()))
    if sites is None:
        if caller.sites is not None:
            raise InputRefused((Fault("#/sites", f"a key bound to sites has to name some of {own}"),))
        return
    held = await hold_sites(w, caller.tenant_id, sites)
    known = held if caller.sites is None else caller.sites
    told = f"must be one of {own}" if own else "no site of this name; PUT /v1/sites/{site} first"
    faults = [Fault(f"#/sites/{place}", told) for place, site in enumerate(sites) if site not in known]
    if faults:
        raise InputRefused(tuple(faults))


@post(
    "/v1/keys",
    operation_id="createKey",
    summary="Make an API key",
    tags=TAGS,
    scopes=("admin",),
    body=KeyWanted,
    statuses=(201,),
    links={
        name: {"operationId": name, "parameters": {"key_id": "$response.body#/key_id"}}
        for name in ("rotateKey", "revokeKey")
    },
)
async def create_key(request: Request[Any, Any, Any], data: JSONBody[KeyWanted]) -> Response[NewApiKey]:
    """A new key of the tenant, shown this once. 403 for a scope that the asking key has not itself."""
    caller, moment = principal_of(request), now()
    require_scopes(caller, data.scopes)
    days = data.expires_in_days
    async with writing_within(request.app.state.store, caller.reach) as w:
        await _require_sites(w, caller, data.sites)
        made = await add_key(
            w,
            caller.tenant_id,
            scopes=data.scopes,
            sites=data.sites,
            label=data.label,
            expires_at=None if days is None else moment + timedelta(days=days),
            now=moment,
        )
        await audited(w, request, "created", at=moment, object_id=made.key_id)
        record = await _held(w, caller, made.key_id)
    return answer(request, NewApiKey(**shown(record), api_key=made.token), status=201)


@post(
    "/v1/keys/{key_id:str}/rotations",
    operation_id="rotateKey",
    summary="Replace an API key",
    tags=TAGS,
    scopes=("admin",),
    body=Rotation,
    path_rules=KEY_PATH,
    problems=(409,),
    statuses=(201,),
)
async def rotate(
    request: Request[Any, Any, Any], key_id: KeyId, data: JSONBody[Rotation]
) -> Response[NewApiKey]:
    """The successor of a key: same scopes, sites, label and length of life. The old key ends after the overlap.

    409 while an earlier successor lives, or the key that this one replaced. For a key that is in wrong hands, make
    another and revoke it.
    """
    caller, moment = principal_of(request), now()
    overlap = timedelta(hours=data.overlap_hours or OVERLAP_HOURS.usual)
    async with writing_within(request.app.state.store, caller.reach) as w:
        held = await _held(w, caller, key_id)
        if not held.is_live(moment):
            raise unknown_key()
        require_scopes(caller, held.scopes)
        made = await rotate_key(w, held, overlap=overlap, now=moment)
        await audited(w, request, "changed", at=moment, object_id=key_id)
        record = await _held(w, caller, made.key_id)
    return answer(request, NewApiKey(**shown(record), api_key=made.token), status=201)


@delete(
    "/v1/keys/{key_id:str}",
    operation_id="revokeKey",
    summary="Revoke an API key",
    tags=TAGS,
    status_code=204,
    scopes=("admin",),
    path_rules=KEY_PATH,
    problems=(409,),
    statuses=(204,),
)
async def revoke(request: Request[Any, Any, Any], key_id: KeyId) -> Response[None]:
    """Ends a key: it is refused within 5 seconds. 409 for the key that asks: nobody locks themselves out by mistake."""
    caller, moment = principal_of(request), now()
    if (caller.kind, caller.key_id) == ("key", key_id):
        told = "a key does not revoke itself; use another, or `effort key revoke`"
        raise Conflicting((Fault("key_id", told, "parameter"),))
    async with writing_within(request.app.state.store, caller.reach) as w:
        if not await revoke_key(w, key_id=key_id, now=moment, within=caller.reach):
            raise unknown_key()
        await audited(w, request, "revoked", at=moment, object_id=key_id)
    return Response(content=None, status_code=204, headers={"cache-control": "no-store"})


async def _held(w: Writing, caller: Principal, key_id: str) -> KeyRecord:
    held = await hold_key(w, key_id, caller.reach)
    if held is None:
        raise unknown_key()
    return held
