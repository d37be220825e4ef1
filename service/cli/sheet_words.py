"""Numbers of a sheet in words."""

from collections.abc import Iterable
from datetime import datetime
from math import ceil, floor

from service.cli.sheet import Load, SetGroup, SheetExercise, SheetSession, ToDo
from service.cli.sheet_texts import SheetTexts
from service.rules.answer import ExertionRange, ReserveRange

LONGEST_IN_SECONDS = 119
SECONDS_PER_MINUTE = 60


def number(value: float) -> str:
    """Return a number to one decimal, none when whole."""
    return f"{round(value, 1):g}"


def counted(count: int, what: str) -> str:
    """Return `1 set`, `2 sets`."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def runs(numbers: Iterable[int]) -> str:
    """Return ascending numbers with runs drawn together: `1-3, 5`."""
    found: list[list[int]] = []
    for each in numbers:
        if found and each == found[-1][1] + 1:
            found[-1][1] = each
        else:
            found.append([each, each])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in found)


def title(session: SheetSession, of_sessions: int) -> str:
    """Return `Session 2 of 8`."""
    return f"Session {session.number} of {of_sessions}"


def start(starts_at: datetime) -> str:
    """Return day and time in the session's own offset: `Monday 4 January 2027, 18:00 (UTC+01:00)`."""
    day = f"{starts_at:%A} {starts_at.day} {starts_at:%B} {starts_at.year}"
    return f"{day}, {starts_at:%H:%M} ({starts_at.tzname()})"


def load_words(load: Load) -> str:
    """Return `77.5 kg (78 % of 1RM)`, or as much of it as is known; nothing when nothing is."""
    percent = None if load.percent_1rm is None else f"{number(load.percent_1rm)} % of 1RM"
    if load.kg is None:
        return percent or ""
    kg = f"{load.kg:g} kg"
    return f"{kg} ({percent})" if percent else kg


def load_to_take(load: Load, texts: SheetTexts) -> str:
    """Return what to lift, or that the lifter chooses it."""
    if load.suggested:
        return f"about {load_words(load)} ({texts.load_untold})"
    return load_words(load) or texts.load_to_choose


def rest_words(to_do: ToDo) -> str:
    """Return `rest 3 min`; nothing when no rest is known."""
    seconds = to_do.rest_seconds
    if seconds is None:
        return ""
    minutes, left = divmod(seconds, SECONDS_PER_MINUTE)
    if seconds <= LONGEST_IN_SECONDS:
        told = f"{number(seconds)} s"
    else:
        told = f"{minutes:g} min" + (f" {number(left)} s" if left else "")
    return f"rest {told}" if to_do.rest_told else f"rest about {told}"


def leave_words(reserve: ReserveRange) -> str:
    """Return `Leave 2.5 reps (2 to 3)`, without a range that holds the target alone."""
    told = f"Leave {number(reserve.target)} {'rep' if reserve.target == 1 else 'reps'}"
    if reserve.low == reserve.high:
        return told
    return f"{told} ({number(reserve.low)} to {number(reserve.high)})"


def speed_words(to_do: ToDo) -> str:
    """Return `Bar speed 10-20 % down.`; nothing where speed tells nothing."""
    if to_do.velocity_loss_percent is None:
        return ""
    low, high = to_do.velocity_loss_percent
    return f"Bar speed {low:g}-{high:g} % down."


def dose_words(group: SetGroup, to_do: ToDo) -> str:
    """Return `Set 2: 8 reps` or `Sets 1-3: 3 sets of 8 reps`."""
    reps = counted(to_do.rep_target, "rep")
    numbers = runs(each.set_order for each in group.sets)
    if len(group.sets) == 1:
        return f"Set {numbers}: {reps}"
    return f"Sets {numbers}: {len(group.sets)} sets of {reps}"


def exertion_words(rpe: ExertionRange | None) -> str:
    """Return `RPE 7.5 (7 to 8)`; nothing where the scale has no number."""
    if rpe is None or rpe.target is None:
        return ""
    if rpe.low is None or rpe.high is None or rpe.low == rpe.high:
        return f"RPE {number(rpe.target)}"
    return f"RPE {number(rpe.target)} ({number(rpe.low)} to {number(rpe.high)})"


def sets_told(group: SetGroup, exercise: SheetExercise) -> str:
    """Return which sets a group holds: `All 3 sets`, `Sets 2-3`, `Set 1`."""
    whole = sum(len(each.sets) for each in exercise.groups)
    if len(group.sets) == whole:
        return "The set" if whole == 1 else f"All {whole} sets"
    told = runs(each.set_order for each in group.sets)
    return f"Set {told}" if len(group.sets) == 1 else f"Sets {told}"


def _expected(group: SetGroup, to_do: ToDo) -> str | None:
    """Return the repetitions to expect where at least one of those planned is missing; None where none is.

    Sets alike in what they complete are told together, others in turn: `6 to 7`, `12, 11 and 10`. Nothing is told
    where the lifter is to choose the load.
    """
    if not load_words(to_do.load):
        return None
    predicted = [each.predicted_reps for each in group.sets if each.predicted_reps is not None]
    if not predicted or min(predicted) > to_do.rep_target - 1:
        return None
    if max(predicted) - min(predicted) > 1:
        *first, last = (f"{each:.0f}" for each in predicted)
        return f"{', '.join(first)} and {last}"
    low, high = floor(min(predicted)), min(ceil(max(predicted)), to_do.rep_target)
    return f"{low}" if low == high else f"{low} to {high}"


def _ways_out(to_do: ToDo) -> str:
    ways = [f"take {load_words(to_do.other_load)}"] if to_do.other_load is not None else []
    ways += [f"do {counted(to_do.other_reps, 'rep')}"] if to_do.other_reps is not None else []
    return " or ".join(ways)


def advice(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> str:
    """Return what there is to say where load and reps disagree, or where the plan wanted another reserve.

    A load that is light for the set alone is not called so where earlier work takes repetitions away.
    """
    told = []
    if expected := _expected(group, to_do):
        told.append(texts.expect.format(reps=expected))
        if to_do.too_heavy and to_do.other_load is not None:
            load = load_words(to_do.other_load)
            told.append(texts.too_heavy.format(rep_target=to_do.rep_target, load=load))
    elif to_do.too_light and (ways := _ways_out(to_do)):
        told.append(texts.too_light.format(instead=ways))
    if to_do.proposed_reps is not None:
        told.append(texts.proposed.format(proposed=to_do.proposed_reps))
    return " ".join(told)
