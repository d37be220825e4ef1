"""Rows of an import file: checked as the API checks, gathered by lifter, each with the number of its line."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any, NamedTuple, TypeVar
from uuid import UUID, uuid5

import msgspec
from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.api.lifter_sites import ToldProfile
from service.api.lifters import LIFTER_ID_PATTERN
from service.api.reading import Members, Rules, valid
from service.api.whole_faults import context_faults
from service.errors import Fault, InputRefused, Unreadable
from service.policy.catalogue import Policies
from service.rules.learning.checks import faults_of_set
from service.rules.learning.known import micros_of
from service.rules.learning.performed import PerformedSet, instant_of
from service.storage.performed_rows import same_content

T = TypeVar("T", bound=Struct)

LifterId = Annotated[
    str,
    Meta(
        pattern=LIFTER_ID_PATTERN,
        extra={"told": "1 to 64 letters, digits and _ . : - , starting with a letter or digit"},
    ),
]
# Never changed: the same row has to get the same id for ever.
SET_IDS = UUID("b2a1b7d5-5f0e-4d0c-9a57-3f1c6f0e8d4b")
MOST_SHOWN = 100


class OwnedSet(PerformedSet, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A performed set that says whose it is."""

    lifter_id: LifterId


class SetRow(NamedTuple):
    """A valid set, and whose it is."""

    line: int
    lifter_id: str
    performed: PerformedSet


class ProfileRow(NamedTuple):
    """A valid profile, and whose it is."""

    line: int
    lifter_id: str
    profile: ToldProfile


class BadRow(NamedTuple):
    """What is wrong with a line. The place of a fault is a member or column; empty for the line itself."""

    line: int
    faults: tuple[Fault, ...]


Row = SetRow | ProfileRow | BadRow


class Checks(NamedTuple):
    """What rows are checked against: the catalogue and the present."""

    policies: Policies
    now: datetime

    def of_set(self, members: Members) -> list[Fault]:
        """Return what the types of a set cannot say."""
        return faults_of_set(members, self.policies.newest, self.now)

    def of_profile(self, members: Members) -> tuple[Fault, ...]:
        """Return what the types of a profile cannot say."""
        return context_faults(members, self.policies)


@dataclass(slots=True)
class Brought:
    """What a file brings for one lifter: a profile or None, and each set once, by id."""

    profile: ToldProfile | None = None
    sets: dict[UUID, SetRow] = field(default_factory=dict)


@dataclass(slots=True)
class Content:
    """What a whole file brings: by lifter, and the number of its sets, repeated ones too."""

    lifters: dict[str, Brought] = field(default_factory=dict)
    sets: int = 0


@dataclass(slots=True)
class Faults:
    """The first 100 faults of a file, and the number of all."""

    first: list[Fault] = field(default_factory=list)
    count: int = 0

    def add(self, line: int, faults: Iterable[Fault]) -> None:
        """Take in the faults of a line."""
        for fault in faults:
            self.count += 1
            if self.count <= MOST_SHOWN:
                place = f"line {line}: {fault.place}" if fault.place else f"line {line}"
                self.first.append(Fault(place, fault.detail))

    def refuse(self) -> None:
        """Raise InputRefused when there are any; the last fault then tells how many more there are."""
        more = self.count - MOST_SHOWN
        last = [Fault(f"... and {more} more", "")] if more > 0 else []
        if self.count:
            raise InputRefused((*self.first, *last))


def checked(members: Any, kind: type[T], rules: Rules) -> T:
    """Return the members as `kind`. Raises InputRefused with every fault, those of `rules` too."""
    found = valid(members, kind, rules)
    if faults := tuple(rules(asdict(found))):
        raise InputRefused(faults)
    return found


def bad(line: int, error: InputRefused | Unreadable, joint: str) -> BadRow:
    """Return the row of a line that is not valid. `joint` stands between a member and a member of it."""
    if isinstance(error, Unreadable):
        return BadRow(line, (Fault("", str(error).removeprefix("the body ")),))
    named = [(fault.place.removeprefix("#").removeprefix("/"), fault.detail) for fault in error.faults]
    return BadRow(line, tuple(Fault(place.replace("/", joint), detail) for place, detail in named))


def gathered(rows: Iterable[Row]) -> Content:
    """Return what the rows bring, each set with an id. Raises InputRefused with their faults."""
    content, faults, repeated = Content(), Faults(), Counter[UUID]()
    for row in rows:
        if isinstance(row, BadRow):
            faults.add(row.line, row.faults)
            continue
        brought = content.lifters.setdefault(row.lifter_id, Brought())
        if isinstance(row, ProfileRow):
            brought.profile = row.profile
        else:
            content.sets += 1
            faults.add(row.line, _take_in(row, brought, repeated))
    faults.refuse()
    return content


def _take_in(row: SetRow, brought: Brought, repeated: Counter[UUID]) -> Iterator[Fault]:
    """Add a set; yield a fault when its id came before with other content."""
    set_id = row.performed.set_id or _made_id(row, repeated)
    members = {name: getattr(row.performed, name) for name in PerformedSet.__struct_fields__}
    row = row._replace(performed=PerformedSet(**{**members, "set_id": set_id}))
    first = brought.sets.setdefault(set_id, row)
    if first is not row and not same_content(first.performed, row.performed):
        yield Fault("set_id", f"{set_id} stands on line {first.line} with other content")


def _made_id(row: SetRow, repeated: Counter[UUID]) -> UUID:
    """The id of a set without one, from lifter and content. `repeated` counts those alike before it."""
    members = ((name, getattr(row.performed, name)) for name in PerformedSet.__struct_fields__)
    # Without what is left out: a member that a later release adds changes no id.
    told = {name: value for name, value in members if value is not None}
    told |= {"lifter_id": row.lifter_id, "performed_at": micros_of(instant_of(row.performed.performed_at))}
    first = uuid5(SET_IDS, msgspec.json.encode(told, order="sorted").decode())
    before = repeated[first]
    repeated[first] += 1
    return uuid5(first, str(before)) if before else first
