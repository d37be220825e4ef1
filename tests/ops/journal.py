"""What clients know of their requests, written to disk before the next step: the witness of every fault test.

A request is journaled before it is sent, each answer when it comes. No answer means unknown: stored wholly or not at
all.
"""

import os
from pathlib import Path

import msgspec
from msgspec import Struct


class Sent(Struct, frozen=True, kw_only=True, tag="sent"):
    """A request that is about to be sent; `body` is what goes over the wire, `notes` what marks each of its sets."""

    number: int
    tenant: str
    lifter_id: str
    key: str
    body: str
    notes: tuple[str, ...]


class Answered(Struct, frozen=True, kw_only=True, tag="answered"):
    """An answer that came: to the request `number`, for the first time or to a replay."""

    number: int
    status: int
    body: str


class Exchange(Struct, kw_only=True):
    """A request and all its answers."""

    sent: Sent
    answers: list[Answered]

    @property
    def is_acknowledged(self) -> bool:
        """Whether the service has said that the sets are stored."""
        return bool(self.answers)


class Journal:
    """A file of lines, each on disk before the call returns."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def write(self, record: Sent | Answered) -> None:
        """Append the record, for good."""
        with self.path.open("ab") as file:
            file.write(msgspec.json.encode(record) + b"\n")
            file.flush()
            os.fsync(file.fileno())

    def read(self) -> list[Exchange]:
        """Return every request so far, in the order of sending."""
        return read_journal(self.path.read_bytes())


def read_journal(lines: bytes) -> list[Exchange]:
    """Return the requests of a journal's lines, in the order of sending."""
    decode = msgspec.json.Decoder(Sent | Answered).decode
    found: dict[int, Exchange] = {}
    for line in lines.splitlines():
        match decode(line):
            case Sent() as sent:
                found[sent.number] = Exchange(sent=sent, answers=[])
            case Answered() as answered:
                found[answered.number].answers.append(answered)
    return list(found.values())
