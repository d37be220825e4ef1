"""The one tree of errors. Only `service.api.problems` knows which HTTP status each becomes.

ServiceError
├── InputRefused        the request was read but is not valid; carries every fault
├── Unreadable          the request body cannot be read at all
├── MediaTypeRefused    the body has another content type, or an encoding
├── BodyTooLarge        the body is over the limit
├── NotFound            the named object does not exist (or is another tenant's)
│   └── PolicyNotFound  no policy version of that name
├── Gone                the operation was deprecated and has ended
├── Conflicting         what was sent contradicts what is stored; carries every place
├── StillRunning        a request with the same Idempotency-Key has not finished
├── PreconditionFailed  If-Match names another state than the present one, or If-None-Match that one
├── Unauthenticated     no valid API key
├── Forbidden           the key lacks a scope
├── BoundToSites        the key is bound to sites and asks for what is the whole tenant's
├── TooManyRequests     the quota of the key or its tenant is used up
├── BodyTooSlow         the caller did not send the body in time
├── Overloaded          too many requests are being worked on
├── TookTooLong         the request could not be answered in time
├── PolicyBroken        policy data on disk is incomplete or was changed after release
├── SettingsInvalid     an environment setting cannot be used
├── BackupFailed        a copy of the database cannot be made or put in its place
├── NotReady            the process should not be sent requests; carries every failing check
└── StorageUnavailable  the database cannot be reached or is not migrated
    └── NotMigrated     its schema is older than this release needs
"""

from typing import NamedTuple


class Fault(NamedTuple):
    """One wrong place in a request.

    `place` is a JSON Pointer fragment (`#/rep_target`) when `where` is "pointer", else the name of a
    query parameter, header or check. `detail` says what is wrong and how to mend it.
    """

    place: str
    detail: str
    where: str = "pointer"


class ServiceError(Exception):
    """Root of all errors this service raises on purpose."""


class InputRefused(ServiceError):
    """The request was read but is not valid. `faults` lists every bad field."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(f"{f.place}: {f.detail}" for f in faults))
        self.faults = faults


class Unreadable(ServiceError):
    """The body is not JSON or MessagePack that can be read."""


class MediaTypeRefused(ServiceError):
    """The body is neither JSON nor MessagePack, or is compressed."""


class BodyTooLarge(ServiceError):
    """The body is over the limit."""


class NotFound(ServiceError):
    """The named object does not exist for this caller."""


class Gone(ServiceError):
    """The operation was deprecated and has ended; the message says what to use instead."""


class Conflicting(ServiceError):
    """What was sent contradicts what is stored. `faults` lists every such place."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(f"{f.place}: {f.detail}" for f in faults))
        self.faults = faults


class StillRunning(ServiceError):
    """A request with the same Idempotency-Key has not finished yet. Worth trying again."""


class PreconditionFailed(ServiceError):
    """If-Match names another state than the present one, or If-None-Match names that one."""


class Unauthenticated(ServiceError):
    """No valid API key came with the request."""


class Forbidden(ServiceError):
    """The API key is valid but lacks the scope in `scope`."""

    def __init__(self, scope: str) -> None:
        super().__init__(f"this API key lacks the scope {scope!r}")
        self.scope = scope


class BoundToSites(ServiceError):
    """The key is bound to sites and asks for what is the whole tenant's."""


class TooManyRequests(ServiceError):
    """The quota of the key or its tenant is used up. Worth trying again after `retry_after_seconds`."""

    def __init__(self, retry_after_seconds: int) -> None:
        super().__init__(
            f"the quota of this key or of its tenant is used up; try again in {retry_after_seconds} s"
        )
        self.retry_after_seconds = retry_after_seconds


class BodyTooSlow(ServiceError):
    """The caller did not send the body in time."""


class Overloaded(ServiceError):
    """Too many requests are being worked on. Worth trying again."""


class TookTooLong(ServiceError):
    """The request could not be answered in time; nothing of it was stored. Worth trying again."""


class PolicyBroken(ServiceError):
    """Policy data has an unknown key, a gap, a missing source, a duplicate, or was edited after release."""


class SettingsInvalid(ServiceError):
    """An environment setting cannot be used; the message names it and says what it takes."""


class BackupFailed(ServiceError):
    """A copy of the database cannot be made or put in its place; what was there before is untouched."""


class StorageUnavailable(ServiceError):
    """The database cannot be reached, is locked, or is not migrated. Worth trying again; a commit may have happened."""


class NotMigrated(StorageUnavailable):
    """The schema is older than this release needs."""


class NotReady(ServiceError):
    """The process should not be sent requests. `faults` names every failing check and what is wrong."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(f"{f.place}: {f.detail}" for f in faults))
        self.faults = faults


class PolicyNotFound(NotFound):
    """No policy version of that name."""
