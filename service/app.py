"""Puts one application together: settings, policies, store, routes, outer layer."""

import asyncio
import gc
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from time import monotonic

from litestar import Litestar
from litestar.datastructures import State

from service.api import (
    api_catalog,
    audit,
    catalogues,
    estimates,
    health,
    key_lists,
    keys,
    lifter_prescriptions,
    lifter_views,
    lifters,
    metrics,
    pages,
    plan_prescriptions,
    prescriptions,
    problem_pages,
    reference,
    sandbox,
    set_batches,
    single_sets,
    sites,
)
from service.api.admission import StrictRequest, admit
from service.api.document import get_document
from service.api.edge import ASGI, with_edge
from service.api.keyring import authorise, open_keyring
from service.api.lifecycle import with_lifecycle
from service.api.lifter_shortcut import first_of, make_lifter_shortcut
from service.api.observing import route_finder, with_observation
from service.api.pages import open_page
from service.api.problems import on_error
from service.api.quotas import open_quotas
from service.api.readiness import PATIENCE_SECONDS, Readiness
from service.api.shedding import with_shedding
from service.api.shortcut import make_shortcut
from service.api.telling import open_teller
from service.observability.cells import Cells
from service.observability.metrics import Metrics
from service.policy.catalogue import Policies, load_policies
from service.policy.languages import Languages
from service.policy.plan_basis import load_plan_basis
from service.rules.learning.basis import Basis
from service.settings import FOLDER, SERVER, Settings, read_settings
from service.storage.engine import close_store, open_store, pool_use

HANDLERS = (
    prescriptions.create_prescription,
    prescriptions.create_prescriptions,
    plan_prescriptions.create_plan_prescription,
    estimates.create_one_rep_max,
    estimates.create_repetitions,
    estimates.create_load,
    lifters.put_profile,
    lifters.get_profile,
    lifters.delete_lifter,
    set_batches.create_sets,
    set_batches.list_sets,
    single_sets.get_set,
    single_sets.put_set,
    single_sets.delete_set,
    lifter_prescriptions.create_lifter_prescription,
    plan_prescriptions.create_lifter_plan_prescription,
    lifter_views.get_state,
    lifter_views.get_review,
    lifter_views.export_lifter,
    sandbox.empty_sandbox,
    audit.list_audit,
    audit.get_entry,
    key_lists.list_keys,
    keys.create_key,
    keys.rotate,
    keys.revoke,
    sites.list_sites,
    sites.put_site,
    sites.delete_site,
    catalogues.list_policies,
    catalogues.get_policy,
    catalogues.list_evidence,
    catalogues.get_evidence,
    catalogues.list_exercises,
    catalogues.list_muscles,
    problem_pages.list_problems,
    problem_pages.get_problem,
    health.live,
    health.ready,
    metrics.get_metrics,
    api_catalog.get_api_catalog,
    get_document,
    *pages.HANDLERS,
    *reference.HANDLERS,
)


def litestar_app(
    settings: Settings,
    policies: Policies,
    *,
    monotonic: Callable[[], float] = monotonic,
    folder: Path | None = None,
) -> Litestar:
    """Return the bare application: routes and document, without the outer layers.

    `monotonic` [s] fills quotas; workers whose `folder` is the same have their metrics in common.
    """

    @asynccontextmanager
    async def lifespan(app: Litestar) -> AsyncIterator[None]:
        try:
            yield
        finally:
            await app.state.keyring.close()
            await app.state.quotas.close()
            await app.state.readiness.close()
            await app.state.teller.close()
            await close_store(app.state.store)

    store = open_store(settings.database_url)
    plan_basis = load_plan_basis(policies.newest)
    quotas = open_quotas(settings, monotonic)
    return Litestar(
        route_handlers=list(HANDLERS),
        state=State(
            {
                "policies": policies,
                "basis": Basis(policy=policies.newest, numbers=plan_basis.learning),
                "plan_basis": plan_basis,
                "languages": Languages(policies, plan_basis.plans),
                "one_plan": asyncio.Semaphore(1),
                "store": store,
                "keyring": open_keyring(settings, store),
                "quotas": quotas,
                "readiness": Readiness(open_store(settings.database_url, patience_seconds=PATIENCE_SECONDS)),
                "teller": open_teller(settings),
                "metrics": Metrics(Cells(folder)),
                "metrics_served": settings.metrics == "on",
                "page": open_page(settings),
                "reference_pages": {},
            }
        ),
        lifespan=[lifespan],
        guards=[authorise],
        before_request=admit,
        request_class=StrictRequest,
        request_max_body_size=settings.max_body_bytes,
        exception_handlers={Exception: on_error},
        openapi_config=None,  # service.api.document writes the document
        logging_config=None,
    )


def create_app(
    settings: Settings,
    *,
    policies: Policies | None = None,
    shortcut: bool = True,
    monotonic: Callable[[], float] = monotonic,
) -> ASGI:
    """Return the application as served. Raises PolicyBroken, SettingsInvalid.

    With `shortcut=False` every request takes the documented way. `monotonic` [s] is the clock that fills quotas.
    """
    app = litestar_app(settings, policies or load_policies(), monotonic=monotonic)
    return _with_layers(app, settings, shortcut=shortcut)


def _with_layers(app: Litestar, settings: Settings, *, shortcut: bool) -> ASGI:
    most = settings.max_body_bytes
    short = first_of(make_shortcut(app.state, most), make_lifter_shortcut(app.state, most))
    edge = with_edge(app, short if shortcut else None)
    shed = with_shedding(
        edge, most_in_flight=settings.max_in_flight, request_seconds=settings.request_seconds
    )
    return with_observation(
        shed, route_of=route_finder(app), metrics=app.state.metrics, teller=app.state.teller
    )


def create_worker() -> ASGI:
    """Return the application as a worker of `effort serve`: settings from the environment."""
    settings = read_settings(os.environ)
    folder, server = os.environ.get(FOLDER), os.environ.get(SERVER)
    app = litestar_app(settings, load_policies(), folder=None if folder is None else Path(folder))
    state = app.state
    gc.freeze()  # a full collection that looks at all that lives as long as the worker stops it for 50 ms
    return with_lifecycle(
        _with_layers(app, settings, shortcut=True),
        state.readiness,
        drain_seconds=settings.drain_seconds,
        server=int(server or 0),
        beat=lambda: state.metrics.pools(pool_use(state.store)),
    )
