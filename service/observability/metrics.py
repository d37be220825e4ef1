"""What is counted: requests, prescriptions, problems; and the state of each worker. No label ever holds what was sent.

Names and labels are those of OpenTelemetry's conventions for HTTP servers and database clients, in the form Prometheus
gives them; what has no convention begins with `effort_`.
"""

from bisect import bisect_left
from collections.abc import Mapping

from service.observability.cells import Cells, Counted

DURATION = "http_server_request_duration_seconds"
IN_FLIGHT = "http_server_active_requests"
PRESCRIPTIONS = "effort_prescriptions_total"
PROBLEMS = "effort_problems_total"
CONNECTIONS, MOST_CONNECTIONS = "db_client_connection_count", "db_client_connection_max"
# The convention's bounds [s], and finer ones below: most requests take less than its first.
BOUNDS_SECONDS = (
    *(0.00025, 0.0005, 0.001, 0.0025),
    *(0.005, 0.01, 0.025, 0.05, 0.075, 0.1, 0.25, 0.5, 0.75, 1.0, 2.5, 5.0, 7.5, 10.0),
)
_BUCKETS = len(BOUNDS_SECONDS) + 1  # the last has no bound
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
OTHER_METHOD = "_OTHER"  # the convention's word
UNMATCHED = "unmatched"


def series(name: str, **labels: str | int) -> str:
    """Return the key of a series as Prometheus writes it, labels in the order given."""
    inside = ",".join(f'{label}="{value}"' for label, value in labels.items())
    return f"{name}{{{inside}}}" if inside else name


class Metrics:
    """The numbers of this worker, kept in `cells`."""

    def __init__(self, cells: Cells) -> None:
        self._cells = cells
        self._numbers = cells.numbers
        self._durations: dict[tuple[str, str, int], int] = {}
        self._counters: dict[tuple[str, ...], int] = {}
        self._in_flight = cells.place(IN_FLIGHT, 1)
        self._numbers[self._in_flight] = 0  # whoever had these cells before ended with requests in flight

    def begin(self) -> None:
        """Note that a request has come."""
        self._numbers[self._in_flight] += 1

    def end(self, method: str, route: str, status: int, seconds: float) -> None:
        """Note that a request is over: its method, the template of its route, its status, how long it took [s]."""
        numbers = self._numbers
        numbers[self._in_flight] -= 1
        first = self._durations.get((method, route, status))
        if first is None:
            first = self._duration(method, route, status)
        numbers[first + bisect_left(BOUNDS_SECONDS, seconds)] += 1
        numbers[first + _BUCKETS] += seconds

    def _duration(self, method: str, route: str, status: int) -> int:
        # Any word may come as a method: it is not remembered, and all count as one.
        told = method if method in METHODS else OTHER_METHOD
        key = series(DURATION, http_request_method=told, http_route=route, http_response_status_code=status)
        first = self._cells.place(key, _BUCKETS + 1)
        self._durations[told, route, status] = first
        return first

    def prescribed(self, decision: str, detail: str, count: int = 1) -> None:
        """Count prescriptions: `prescribe` or `withhold`, `full` or `brief`."""
        self._count(count, PRESCRIPTIONS, decision, detail)

    def problem(self, slug: str) -> None:
        """Count one answer that is a problem, by the slug of its type."""
        self._count(1, PROBLEMS, slug)

    def _count(self, count: int, *what: str) -> None:
        place = self._counters.get(what)
        if place is None:
            name, *values = what
            labels = ("decision", "detail") if name == PRESCRIPTIONS else ("type",)
            key = series(name, **dict(zip(labels, values, strict=True)))
            place = self._counters[what] = self._cells.place(key, 1)
        self._numbers[place] += count

    def pools(self, pools: Mapping[str, tuple[int, int, int]]) -> None:
        """Set the connections of each pool to the database: used, idle, most there may be."""
        for name, (used, idle, most) in pools.items():
            pool = {"db_client_connection_pool_name": name}
            for state, value in (("used", used), ("idle", idle)):
                key = series(CONNECTIONS, **pool, db_client_connection_state=state)
                self._numbers[self._cells.place(key, 1)] = value
            self._numbers[self._cells.place(series(MOST_CONNECTIONS, **pool), 1)] = most

    def of_all_workers(self) -> list[Counted]:
        """Return the numbers of every worker there is or was."""
        return list(self._cells.all())
