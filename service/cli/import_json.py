"""Rows of a file of JSON lines: lifters, their sets, and the ends that show whether an export is whole."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Annotated

from msgspec import Meta, Struct

from service.api.faults import echoed
from service.api.lifter_sites import ToldProfile
from service.api.reading import JSON, Members, no_rules, plain_value
from service.cli.import_rows import BadRow, Checks, LifterId, OwnedSet, ProfileRow, Row, SetRow, bad, checked
from service.errors import Fault, InputRefused, Unreadable
from service.rules.learning.performed import PerformedSet


class FollowingSet(PerformedSet, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A performed set after a lifter line, whose it is unless it says otherwise."""

    lifter_id: LifterId | None = None


class LifterLine(ToldProfile, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A profile that says whose it is."""

    lifter_id: LifterId


class EndLine(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The end of a lifter's export: as many set lines came since the lifter line."""

    sets: Annotated[int, Meta(ge=0)]


@dataclass(slots=True)
class _Place:
    """Where in a file of JSON lines we are: the lifter line in force and the set lines since; ends so far."""

    lifter_line: int | None = None
    lifter_id: str = ""
    sets: int = 0
    any_end: bool = False
    without_end: list[int] = field(default_factory=list)

    def leave(self) -> None:
        """A lifter line was not closed."""
        if self.lifter_line is not None:
            self.without_end.append(self.lifter_line)


def json_rows(lines: Iterable[bytes], checks: Checks) -> Iterator[Row]:
    """Yield a row for each lifter, set and bad line of the lines, UTF-8 without byte order mark."""
    place, line = _Place(), 0
    told = ((number, text) for number, text in enumerate(lines, 1) if text.strip())
    for line, text in told:
        try:
            row = _json_row(line, text, place, checks)
        except (InputRefused, Unreadable) as error:
            row = bad(line, error, ".")
        if row is not None:
            yield row
    if not line:
        yield BadRow(1, (Fault("", "the file is empty"),))
    place.leave()
    cut = (Fault("", "the export was cut: no end line closes this lifter"),)
    yield from (BadRow(opened, cut) for opened in place.without_end if place.any_end)


def _json_row(line: int, text: bytes, place: _Place, checks: Checks) -> Row | None:
    try:
        members = plain_value(text, JSON)
    except Unreadable:
        place.sets += 1  # most likely; an end line after it should not complain as well
        raise
    if not isinstance(members, dict):
        raise InputRefused((Fault("#", f"must be an object, not {echoed(members)}"),))
    kind = members.pop("type", None)
    if not isinstance(kind, str) or kind not in _KINDS:
        raise InputRefused((Fault("#/type", f"must be one of {', '.join(_KINDS)}, not {echoed(kind)}"),))
    return _KINDS[kind](line, members, place, checks)


def _lifter_row(line: int, members: Members, place: _Place, checks: Checks) -> ProfileRow:
    place.leave()
    # Also when the line turns out bad: its sets should not each complain of a missing lifter.
    place.lifter_line, place.lifter_id, place.sets = line, str(members.get("lifter_id")), 0
    told = checked(members, LifterLine, checks.of_profile)
    profile = ToldProfile(experience=told.experience, goal=told.goal, cautions=told.cautions, site=told.site)
    return ProfileRow(line, told.lifter_id, profile)


def _set_row(line: int, members: Members, place: _Place, checks: Checks) -> SetRow:
    place.sets += 1
    if place.lifter_line is None:
        owned = checked(members, OwnedSet, checks.of_set)
        return SetRow(line, owned.lifter_id, owned)
    following = checked(members, FollowingSet, checks.of_set)
    return SetRow(line, following.lifter_id or place.lifter_id, following)


def _end_row(line: int, members: Members, place: _Place, checks: Checks) -> None:  # noqa: ARG001 - as the others
    opened, sets = place.lifter_line, place.sets
    place.lifter_line, place.sets, place.any_end = None, 0, True
    told = checked(members, EndLine, no_rules)
    if opened is None:
        raise InputRefused((Fault("#", "this end has no lifter line before it: the export was cut"),))
    if told.sets != sets:
        found = f"{told.sets}, but {sets} came since the lifter on line {opened}: the export was cut"
        raise InputRefused((Fault("#/sets", found),))


_KINDS: dict[str, Callable[[int, Members, _Place, Checks], Row | None]] = {
    "lifter": _lifter_row,
    "set": _set_row,
    "end": _end_row,
}
