"""A stand-in for an OpenTelemetry collector: takes spans over HTTP and keeps them."""

import gzip
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest


class Collector:
    """Where it listens, and the spans it was sent, with the attributes of their resource."""

    def __init__(self, port: int) -> None:
        self.endpoint = f"http://127.0.0.1:{port}"
        self.spans: list[Any] = []
        self.resources: list[dict[str, str]] = []
        self.paths: set[str] = set()

    def take(self, path: str, body: bytes) -> None:
        """Keep what was sent."""
        self.paths.add(path)
        for resource in ExportTraceServiceRequest.FromString(body).resource_spans:
            self.resources.append(
                {pair.key: pair.value.string_value for pair in resource.resource.attributes}
            )
            self.spans += [span for scope in resource.scope_spans for span in scope.spans]


@contextmanager
def collector() -> Iterator[Collector]:
    """Yield a collector that listens on a port of this machine."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            if self.headers.get("content-encoding") == "gzip":
                body = gzip.decompress(body)
            found.take(self.path, body)
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    found = Collector(server.server_port)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield found
    finally:
        server.shutdown()
        thread.join(10)
        server.server_close()
