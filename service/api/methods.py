"""Which methods an address takes: for Allow in 405 and OPTIONS."""

import re
from functools import lru_cache
from typing import Any

from litestar import Litestar

ORDER = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


@lru_cache(maxsize=16)
def _table(app: Litestar) -> tuple[tuple[re.Pattern[str], frozenset[str]], ...]:
    merged: dict[str, set[str]] = {}
    for route in app.routes:
        methods: set[str] = set(getattr(route, "methods", ()))
        merged.setdefault(route.path_format, set()).update(methods)
    table = []
    for path, methods in merged.items():
        if "GET" in methods:
            methods.add("HEAD")
        pattern = re.sub(r"\\\{[^}]+\\\}", "[^/]+", re.escape(path))
        table.append((re.compile(pattern + r"\Z"), frozenset(methods)))
    return tuple(table)


def allowed_methods(app: Any, path: str) -> tuple[str, ...]:
    """Return the methods `path` takes, HEAD and OPTIONS among them; empty when nothing is there."""
    found: set[str] = set()
    plain = "/" + "/".join(part for part in path.split("/") if part)  # the router reads it so, too
    for pattern, methods in _table(app):
        if pattern.match(plain):
            found |= methods | {"OPTIONS"}
    return tuple(method for method in ORDER if method in found)
