"""What a schema cannot say about valid requests, said to the generator: loaded by schemathesis, not by pytest."""

import re
from typing import Any
from uuid import uuid4

import schemathesis

LENGTH_OF_A_DAY = len("2026-11-25")
TO_COME = re.compile(r"^20(2[6-9]|[3-9][0-9])-")


@schemathesis.hook
def before_call(_context: Any, case: Any, _kwargs: Any) -> None:
    """Of requests meant to be valid: a key of its own for each, sets in the past, calls within, sessions in order.

    No site is there, and which are no schema can say.
    """
    if case.meta is None or not case.meta.generation.mode.is_positive:
        return
    if case.headers and case.headers.get("idempotency-key"):
        case.headers["idempotency-key"] = uuid4().hex
    body = case.body if isinstance(case.body, dict) else {}
    _in_order(body.get("sessions", []))
    for name in ("site", "sites"):
        body.pop(name, None)
    for performed in [body, *body.get("sets", ())]:
        if "performed_at" in performed:
            performed["performed_at"] = TO_COME.sub(_past, performed["performed_at"])
        call = performed.get("rir_call")
        if call is not None:
            performed["reps"] = max(performed["reps"], call["at_rep"])


def _in_order(sessions: list[Any]) -> None:
    """Give sessions starts in order of time, one a year, at the time of day that was drawn."""
    for year, session in enumerate(sessions, 2000):
        session["starts_at"] = f"{year}-06-15{session['starts_at'][LENGTH_OF_A_DAY:]}"


def _past(year: re.Match[str]) -> str:
    return f"{2020 + int(year[1]) % 4}-"  # a leap year stays one
