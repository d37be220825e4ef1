"""The one place in the API that reads the clock."""

from datetime import UTC, datetime


def now() -> datetime:
    """Return the present instant, in UTC."""
    return datetime.now(UTC)
