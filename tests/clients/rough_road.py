"""A way to the service on which each request is lost three times before it gets through."""

import http.client
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from urllib.parse import urlsplit

REFUSALS = (503, 429)


def _handler(address: str, tries: Counter[tuple[str, str, bytes]]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", 0)))
            request = self.command, self.path, body
            tries[request] += 1
            if tries[request] <= len(REFUSALS):
                self._answer(REFUSALS[tries[request] - 1], {"retry-after": "0"}, b"")
                return
            upstream = http.client.HTTPConnection(urlsplit(address).netloc, timeout=60)
            headers = {name: value for name, value in self.headers.items() if name.lower() != "host"}
            upstream.request(self.command, self.path, body or None, headers)
            answer = upstream.getresponse()
            content = answer.read()
            upstream.close()
            if tries[request] == len(REFUSALS) + 1:
                self.close_connection = True  # it was done, and nobody is told
                return
            told = {"content-type": answer.getheader("content-type", "text/plain")}
            self._answer(answer.status, told, content)

        do_POST = do_GET  # noqa: N815 - the name http.server calls

        def _answer(self, status: int, headers: dict[str, str], content: bytes) -> None:
            self.send_response(status)
            for name, value in {**headers, "content-length": str(len(content))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_args: object) -> None:
            """Say nothing."""

    return Handler


@contextmanager
def rough_road(address: str) -> Iterator[tuple[str, Counter[tuple[str, str, bytes]]]]:
    """Yield an address that leads to `address`, and how often each request (method, path, body) has come.

    A request is answered 503 at first, then 429; then it is done but the answer is lost; after that it is answered.
    """
    tries: Counter[tuple[str, str, bytes]] = Counter()
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(address, tries))
    server.daemon_threads = True
    thread = Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", tries
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
