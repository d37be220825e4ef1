"""What a monitoring system reads at /metrics of a running server."""

import httpx
from prometheus_client.parser import text_string_to_metric_families

Series = dict[tuple[str, ...], float]


def scrape(address: str) -> Series:
    """Return every series by its name and the values of its labels, in the order of the labels' names.

    On a connection of its own, so that any worker may answer.
    """
    text = httpx.get(f"{address}/metrics", timeout=10).text
    return {
        (sample.name, *(value for _, value in sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def requests_of(found: Series) -> Series:
    """Return the counts of requests by method, status and route, without those of health and metrics."""
    name = "http_server_request_duration_seconds_count"
    counts = {key[1:]: value for key, value in found.items() if key[0] == name}
    return {
        key: value
        for key, value in counts.items()
        if key[2] not in ("/metrics", "/health/live", "/health/ready")
    }
