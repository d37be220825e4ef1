"""The text, read by the library that scrapers are made with."""

import random

from prometheus_client import CollectorRegistry, Histogram
from prometheus_client.parser import text_string_to_metric_families

from service.observability.cells import Cells
from service.observability.exposition import FAMILIES, exposition
from service.observability.metrics import BOUNDS_SECONDS, DURATION, Metrics, series


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Return every sample by name and labels."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_a_histogram_is_what_the_library_would_have_counted() -> None:
    """Ten thousand durations, those on a bound among them: same buckets, same count, same sum."""
    chance = random.Random(5)
    durations = [*BOUNDS_SECONDS, 0.0, 1e9, *(chance.expovariate(20) for _ in range(10_000))]
    worker = Metrics(Cells())
    registry = CollectorRegistry()
    labels = {"http_request_method": "PUT", "http_route": "/v1/x/{id}", "http_response_status_code": "200"}
    theirs = Histogram(DURATION, "d", list(labels), buckets=BOUNDS_SECONDS, registry=registry)
    for seconds in durations:
        worker.begin()
        worker.end("PUT", "/v1/x/{id}", 200, seconds)
        theirs.labels(**labels).observe(seconds)
    ours = samples(exposition(worker.of_all_workers(), {}).decode())
    (family,) = registry.collect()
    wanted = [sample for sample in family.samples if not sample.name.endswith("_created")]
    assert len(wanted) == len(BOUNDS_SECONDS) + 3
    for sample in wanted:
        assert ours[sample.name, tuple(sorted(sample.labels.items()))] == sample.value


def test_every_family_has_its_kind_and_help() -> None:
    """As the library reads them: a counter ends in `_total`, a histogram and gauges do not."""
    worker = Metrics(Cells())
    worker.end("GET", "/v1/muscles", 200, 0.001)
    worker.prescribed("withhold", "brief")
    worker.problem("not-found")
    worker.pools({"all": (1, 2, 10)})
    names = ("effort_database_up", "effort_ready", "effort_build_info", "effort_policy_info")
    text = exposition(worker.of_all_workers(), {series(name, version="1"): 1.0 for name in names}).decode()
    found = {family.name: family for family in text_string_to_metric_families(text)}
    assert {name.removesuffix("_total") for name in FAMILIES} == set(found)
    for name, (kind, told) in FAMILIES.items():
        family = found[name.removesuffix("_total")]
        assert (family.type, family.documentation) == (kind, told)
        assert name.endswith("_total") == (kind == "counter")


def test_words_nobody_knows_are_one_method() -> None:
    """A caller may send anything as a method; it makes no series of its own."""
    worker = Metrics(Cells())
    for word in ("BREW", "lark-4", 'a"b\n'):
        worker.end(word, "unmatched", 405, 0.001)
    text = exposition(worker.of_all_workers(), {}).decode()
    assert 'http_request_method="_OTHER",http_route="unmatched",http_response_status_code="405"} 3' in text
    assert "lark-4" not in text


def test_a_worker_tells_of_its_own_process() -> None:
    """Memory, descriptors and start are those of this test."""
    found = samples(exposition(Metrics(Cells()).of_all_workers(), {}).decode())
    of_worker = (("worker", "0"),)
    assert 10e6 < found["process_resident_memory_bytes", of_worker] < 10e9
    assert 3 <= found["process_open_fds", of_worker] < found["process_max_fds", of_worker]
    assert found["process_start_time_seconds", of_worker] > 1.7e9
    assert found["process_cpu_seconds_total", of_worker] > 0
