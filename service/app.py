"""Puts one application together: settings, policies, store, routes, outer layer."""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from litestar import Litestar
from litestar.datastructures import State

from service.api import (
    catalogues,
    estimates,
    health,
    lifter_prescriptions,
    lifter_views,
    lifters,
    plan_prescriptions,
    prescriptions,
    problem_pages,
    set_batches,
    single_sets,
)
from service.api.admission import StrictRequest, admit
from service.api.document import get_document
from service.api.edge import ASGI, with_edge
from service.api.keyring import KeyRing, authorise
from service.api.problems import on_error
from service.api.shortcut import make_shortcut
from service.policy.catalogue import Policies, load_policies
from service.policy.plan_basis import load_plan_basis
from service.rules.learning.basis import Basis
from service.settings import Settings, read_settings
from service.storage.engine import close_store, open_store

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
    get_document,
)


def litestar_app(settings: Settings, policies: Policies) -> Litestar:
    """Return the bare application: routes and document, without the outer layer."""

    @asynccontextmanager
    async def lifespan(app: Litestar) -> AsyncIterator[None]:
        try:
            yield
        finally:
            await app.state.keyring.close()
            await close_store(app.state.store)

    store = open_store(settings.database_url)
    plan_basis = load_plan_basis(policies.newest)
    state = {
        "policies": policies,
        "basis": Basis(policy=policies.newest, numbers=plan_basis.learning),
        "plan_basis": plan_basis,
        "one_plan": asyncio.Semaphore(1),
        "store": store,
        "keyring": KeyRing(store),
    }
    return Litestar(
        route_handlers=list(HANDLERS),
        state=State(state),
        lifespan=[lifespan],
        guards=[authorise],
        before_request=admit,
        request_class=StrictRequest,
        request_max_body_size=settings.max_body_bytes,
        exception_handlers={Exception: on_error},
        openapi_config=None,  # service.api.document writes the document
        logging_config=None,
    )


def create_app(settings: Settings, *, policies: Policies | None = None, shortcut: bool = True) -> ASGI:
    """Return the application as served. Raises PolicyBroken, SettingsInvalid.

    With `shortcut=False` every request takes the documented way.
    """
    app = litestar_app(settings, policies or load_policies())
    return with_edge(app, make_shortcut(app.state, settings.max_body_bytes) if shortcut else None)


def create_app_from_environment() -> ASGI:
    """Return the application for the server: settings from the environment."""
    return create_app(read_settings(os.environ))
