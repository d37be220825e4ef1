"""What `effort bulk --from-history` asks of the database: which tenant, which site."""

import os
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from uuid import UUID

from service.bulk.chunks import policies
from service.bulk.history import Asked, HistoryWork
from service.bulk.sources import Form
from service.cli.key import with_store
from service.cli.plan import read_plan
from service.errors import Fault, InputRefused, NotFound
from service.policy.plan_basis import load_plan_basis
from service.settings import read_settings
from service.storage.engine import Store, reading
from service.storage.keys import find_tenant
from service.storage.retention import all_tenants
from service.storage.sites import known_sites
from service.storage.tenancy import Reach, tenant_reading


async def _tenant(store: Store, name: str | None) -> UUID:
    async with reading(store) as r:
        if name is not None:
            found = await find_tenant(r, name)
            if found is None:
                raise NotFound(f"no tenant named {name}")
            return found
        every = await all_tenants(r)
    if len(every) != 1:
        raise InputRefused((Fault("--tenant", f"say whose lifters: there are {len(every)} tenants"),))
    return every[0][0]


async def _reach(store: Store, tenant: str | None, site: str | None) -> Reach:
    """Return whose lifters are meant. Raises NotFound for a tenant or site there is not."""
    tenant_id = await _tenant(store, tenant)
    if site is None:
        return Reach(tenant_id)
    async with tenant_reading(store, tenant_id) as r:
        if not await known_sites(r, tenant_id, [site]):
            raise NotFound(f"no site named {site}")
    return Reach(tenant_id, frozenset((site,)))


def history_work(
    plan: Path, *, tenant: str | None, site: str | None, session: int, texts: bool, form: Form
) -> HistoryWork:
    """Return everyone's next session as work. Raises InputRefused with every fault of the plan, NotFound."""
    told = read_plan(plan.read_bytes(), policies())
    asked = Asked(
        database_url=read_settings(os.environ).database_url,
        reach=with_store(partial(_reach, tenant=tenant, site=site)),
        plan=told,
        session=session,
        texts=texts,
        now=datetime.now(UTC),
    )
    return HistoryWork(asked, load_plan_basis(policies().newest), form)
