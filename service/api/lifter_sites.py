"""Where a new lifter belongs: to a site of the key that makes it."""

from datetime import datetime
from typing import Annotated

from msgspec import Meta

from service.errors import Fault, InputRefused, Unauthenticated
from service.rules.learning.context import Profile
from service.storage.engine import Writing
from service.storage.keys import Principal
from service.storage.lifters import LifterRow, lock_lifter
from service.storage.sites import SITE_PATTERN, SITE_TOLD, hold_sites

SiteName = Annotated[str, Meta(pattern=SITE_PATTERN, extra={"told": SITE_TOLD})]


class ToldProfile(Profile, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is told about a lifter once, not per set, and where the lifter belongs."""

    site: (
        Annotated[
            SiteName,
            Meta(
                description="Site the lifter belongs to from now on; left out, the one known stays. A new lifter "
                "belongs to the key's site; a key bound to several has to name one of them here."
            ),
        ]
        | None
    ) = None


async def chosen_site(
    w: Writing, caller: Principal, told: str | None, present: LifterRow | None
) -> str | None:
    """Return the site to store for a lifter; None keeps the one that is known, if any.

    Raises InputRefused for a site that is none of the caller's, and where a new lifter needs one to be named,
    Unauthenticated for one of the caller's that is gone.
    """
    own = sorted(caller.sites or ())
    if told is not None:
        known = caller.sites if caller.sites is not None else await hold_sites(w, caller.tenant_id, [told])
        if told not in known:
            takes = (
                f"must be one of {', '.join(own)}"
                if own
                else "no site of this name; PUT /v1/sites/{site} first"
            )
            raise InputRefused((Fault("#/site", takes),))
        if own:
            await _hold_own(w, caller, told)
        return told
    if present is not None or caller.sites is None:
        return None
    if len(own) == 1:
        await _hold_own(w, caller, own[0])
        return own[0]
    raise InputRefused((Fault("#/site", f"a new lifter of this key has to name one of {', '.join(own)}"),))


async def hold_or_make(w: Writing, caller: Principal, lifter_id: str, *, now: datetime) -> None:
    """Hold the lifter, made at the caller's site when new.

    Raises InputRefused for a new lifter of a caller with several sites, NotFound for an id taken beyond them,
    Unauthenticated where the caller's site is gone.
    """
    if caller.sites is None:
        await lock_lifter(w, caller.tenant_id, lifter_id, create=True, now=now)
    elif await lock_lifter(w, caller.tenant_id, lifter_id, create=False, now=now) is None:
        if len(caller.sites) != 1:
            told = "no lifter of this id at the sites of this key; PUT the lifter with `site` first"
            raise InputRefused((Fault("lifter_id", told, "parameter"),))
        site = min(caller.sites)
        await _hold_own(w, caller, site)
        await lock_lifter(w, caller.tenant_id, lifter_id, create=True, now=now, site=site)


async def _hold_own(w: Writing, caller: Principal, site: str) -> None:
    # No site goes while a live key is bound to it: the caller's, remembered for seconds, has ended.
    if site not in await hold_sites(w, caller.tenant_id, [site]):
        raise Unauthenticated("the key or token is bound to a site that is gone; send one that is live")
