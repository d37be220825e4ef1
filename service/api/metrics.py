"""Numbers for a monitoring system."""

import asyncio
from typing import Any

from litestar import Request, Response, get

from service import __version__
from service.api.readiness import Readiness
from service.errors import NotFound
from service.observability.exposition import MEDIA_TYPE, exposition
from service.observability.metrics import Metrics, series
from service.policy.catalogue import Policies
from service.storage.engine import pool_use


async def _facts(state: Any) -> dict[str, float]:
    """Return what this worker knows by itself, by series."""
    readiness: Readiness = state.readiness
    policies: Policies = state.policies
    away = await readiness.store_faults()
    policy = policies.newest.ref
    return {
        "effort_database_up": float(not any(fault.place == "database" for fault in away)),
        "effort_ready": float(not away and not readiness.draining),
        series("effort_build_info", version=__version__): 1.0,
        series("effort_policy_info", version=policy.version, digest=policy.digest): 1.0,
    }


@get(
    "/metrics",
    operation_id="getMetrics",
    summary="Read metrics",
    tags=["Health"],
    text=MEDIA_TYPE,
    problems=(404,),
)
async def get_metrics(request: Request[Any, Any, Any]) -> Response[bytes]:
    """Counters and gauges of all workers, in Prometheus's text format 0.0.4; 404 where EFFORT_METRICS is off.

    Labels are templates of routes, methods, statuses and the service's own words: no ids, nothing that was sent.
    """
    state = request.app.state
    if not state.metrics_served:
        raise NotFound("metrics are switched off (EFFORT_METRICS)")
    metrics: Metrics = state.metrics
    metrics.pools(pool_use(state.store))
    facts = await _facts(state)
    text = await asyncio.to_thread(lambda: exposition(metrics.of_all_workers(), facts))
    return Response(content=text, media_type=MEDIA_TYPE, headers={"cache-control": "no-store"})
