"""Asks the service itself, beside the browser, so that what is shown has something to be compared with."""

import json
from typing import Any

import httpx


def ask(demo: tuple[str, str], path: str, body: Any = None) -> tuple[int, Any]:
    """Return the status and the answer of a call with the demo's key."""
    base, key = demo
    headers = {"authorization": f"Bearer {key}", "content-type": "application/json"}
    content = None if body is None else json.dumps(body)
    found = httpx.request("GET" if body is None else "POST", base + path, headers=headers, content=content)
    return found.status_code, found.json()


def detail_at(answer: Any, pointer: str) -> str:
    """Return what a problem says of one member."""
    return next(str(entry["detail"]) for entry in answer["errors"] if entry["pointer"] == pointer)


def read_number(told: str) -> float:
    """Return a number as the page writes it."""
    return float(told.strip().replace("\N{MINUS SIGN}", "-"))
