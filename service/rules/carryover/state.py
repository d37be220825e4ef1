"""Fatigue of one muscle, kept by what left it there and carried forward in time.

Within a session time is the rest taken since its start; between sessions it is counted from start to start, as hours
between trainings are everywhere in a plan. So a longer rest never brings the next session nearer, and a session that
starts `gone_after_hours` after another meets nothing of it.

A set costs the same however much came before it: the slow parts of past sessions are carried as sums over sessions
of `slow x^k`, k = 0, 1, 2, with x the share of `gone_after_hours` still to go; each session enters and leaves once.
"""

from collections import deque
from math import exp

from msgspec import Struct, field

from service.rules.carryover.numbers import CarryOver

_NEVER = float("-inf")
_SECONDS_PER_HOUR = 3600.0
# More exercises than this for one muscle within 48 h are no training plan; their cost counts, but without their names.
_NAMED_SOURCES = 32


class Residue(Struct):
    """What one source left in one session (log capacity): the fast part as of `at_seconds`, and the slow part."""

    starts_at_seconds: float
    fast: float = 0.0
    at_seconds: float = 0.0
    slow: float = 0.0


class PastSessions(Struct):
    """Slow parts (log capacity) of sessions not yet gone, oldest first, and their sums by power of x."""

    sessions: deque[tuple[float, float]] = field(default_factory=deque)
    whole: float = 0.0
    first: float = 0.0
    second: float = 0.0


class MuscleFatigue(Struct):
    """One muscle: this session in all, the past ones in all, and the latest sources by name.

    `unnamed` tells that some work still counted is no longer in `named`.
    """

    session: Residue = field(default_factory=lambda: Residue(_NEVER))
    past: PastSessions = field(default_factory=PastSessions)
    named: dict[tuple[float, str], Residue] = {}
    unnamed: bool = False


def _to_go(seconds: float, numbers: CarryOver) -> float:
    """Share of the time until the slow part is gone that is still to go; 0 or less: gone."""
    return 1.0 - seconds / _SECONDS_PER_HOUR / numbers.slow.gone_after_hours


def _fast_left(residue: Residue, at_seconds: float, numbers: CarryOver) -> float:
    return residue.fast * exp((residue.at_seconds - at_seconds) / numbers.fast.time_constant_seconds)


def _move_on(past: PastSessions, from_seconds: float, to_seconds: float, numbers: CarryOver) -> None:
    """Let the past sessions recover between two session starts; one that is gone leaves the sums."""
    while past.sessions and _to_go(to_seconds - past.sessions[0][0], numbers) <= 0.0:
        started, slow = past.sessions.popleft()
        x = _to_go(from_seconds - started, numbers)
        past.whole, past.first, past.second = (
            past.whole - slow,
            past.first - slow * x,
            past.second - slow * x * x,
        )
    if not past.sessions:  # exactly nothing, not what rounding leaves
        past.whole = past.first = past.second = 0.0
        return
    gone = 1.0 - _to_go(to_seconds - from_seconds, numbers)
    past.second -= gone * (past.first + past.first - gone * past.whole)
    past.first -= gone * past.whole


def enter_session(muscle: MuscleFatigue, starts_at_seconds: float, numbers: CarryOver) -> None:
    """Move on to the session that starts then [seconds]; does nothing when the muscle is already in it."""
    ended, past = muscle.session, muscle.past
    if starts_at_seconds == ended.starts_at_seconds:
        return
    if ended.slow > 0.0:
        past.sessions.append((ended.starts_at_seconds, ended.slow))
        past.whole, past.first, past.second = (
            total + ended.slow for total in (past.whole, past.first, past.second)
        )
    _move_on(past, ended.starts_at_seconds, starts_at_seconds, numbers)
    muscle.session = Residue(starts_at_seconds)
    muscle.named = {
        key: residue
        for key, residue in muscle.named.items()
        if _to_go(starts_at_seconds - residue.starts_at_seconds, numbers) > 0.0
    }
    muscle.unnamed = muscle.unnamed and bool(past.sessions)


def fatigue_of(muscle: MuscleFatigue, at_seconds: float, numbers: CarryOver) -> float:
    """Fatigue (log capacity, >= 0) of the muscle, `at_seconds` of rest into its session."""
    session = muscle.session
    return _fast_left(session, at_seconds, numbers) + session.slow + max(muscle.past.second, 0.0)


def sources_of(muscle: MuscleFatigue, at_seconds: float, numbers: CarryOver) -> dict[str | None, float]:
    """Return what each source contributes to `fatigue_of` (log capacity); under None, work no longer named."""
    now = muscle.session.starts_at_seconds
    parts: dict[str | None, float] = {}
    for (started, source), residue in muscle.named.items():
        if started == now:
            left = _fast_left(residue, at_seconds, numbers) + residue.slow
        else:
            x = _to_go(now - started, numbers)
            left = residue.slow * x * x
        parts[source] = parts.get(source, 0.0) + left
    if muscle.unnamed:
        parts[None] = max(fatigue_of(muscle, at_seconds, numbers) - sum(parts.values()), 0.0)
    return parts


def _named(muscle: MuscleFatigue, source: str) -> Residue:
    """Return the source's residue in this session, made the latest; beyond the limit the oldest loses its name."""
    key = (muscle.session.starts_at_seconds, source)
    residue = muscle.named.pop(key, None) or Residue(muscle.session.starts_at_seconds)
    muscle.named[key] = residue
    if len(muscle.named) > _NAMED_SOURCES:
        del muscle.named[next(iter(muscle.named))]
        muscle.unnamed = True
    return residue


def deposit(muscle: MuscleFatigue, source: str, dose: float, at_seconds: float, numbers: CarryOver) -> None:
    """Add a set's dose (>= 0, share of the muscle included), `at_seconds` of rest into the session."""
    for residue in (muscle.session, _named(muscle, source)):
        residue.fast = _fast_left(residue, at_seconds, numbers) + dose * numbers.fast.fatigue
        residue.at_seconds = at_seconds
        residue.slow += dose * numbers.slow.fatigue
