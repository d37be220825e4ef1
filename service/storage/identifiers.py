"""Row ids that sort by time without a sequence, so that several databases can hand them out."""

import secrets
from datetime import UTC, datetime, timedelta
from uuid import UUID

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def new_id(now: datetime) -> UUID:
    """A UUID version 7: 48 bits of milliseconds since 1970, 74 random bits. Source: RFC 9562, section 5.7.

    `now` is aware, 1970 or later.
    """
    milliseconds = (now - _EPOCH) // _MILLISECOND
    high = (milliseconds << 16) | (0x7 << 12) | secrets.randbits(12)
    low = (0b10 << 62) | secrets.randbits(62)
    return UUID(int=(high << 64) | low)
