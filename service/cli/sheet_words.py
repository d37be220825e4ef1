"""Numbers of a sheet in words, those of its language."""

from collections.abc import Iterable
from datetime import datetime
from math import ceil, floor

from babel.dates import format_datetime

from service.cli.sheet import Load, SetGroup, SheetExercise, SheetSession, ToDo
from service.cli.sheet_texts import SheetTexts
from service.rules.answer import ExertionRange, ReserveRange

LONGEST_IN_SECONDS = 119
SECONDS_PER_MINUTE = 60


def number(value: float, texts: SheetTexts) -> str:
    """Return a number to one decimal, none when whole."""
    return texts.number.format(value=round(value, 1))


def runs(numbers: Iterable[int]) -> str:
    """Return ascending numbers with runs drawn together: `1-3, 5`."""
    found: list[list[int]] = []
    for each in numbers:
        if found and each == found[-1][1] + 1:
            found[-1][1] = each
        else:
            found.append([each, each])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in found)


def title(session: SheetSession, of_sessions: int, texts: SheetTexts) -> str:
    """Return `Session 2 of 8`."""
    return texts.session.format(number=session.number, of_sessions=of_sessions)


def start(starts_at: datetime, texts: SheetTexts) -> str:
    """Return day and time in the session's own offset: `Monday 4 January 2027, 18:00 (UTC+01:00)`."""
    day = format_datetime(starts_at.replace(tzinfo=None), texts.day, locale=texts.language.replace("-", "_"))
    return texts.start.format(day=day, time=f"{starts_at:%H:%M}", offset=starts_at.tzname())


def load_words(load: Load, texts: SheetTexts) -> str:
    """Return `77.5 kg (78 % of 1RM)`, or as much of it as is known; nothing when nothing is."""
    percent = (
        None if load.percent_1rm is None else texts.percent_of_1rm.format(percent=round(load.percent_1rm, 1))
    )
    if load.kg is None:
        return percent or ""
    kg = texts.kg.format(kg=load.kg)
    return texts.kg_and_percent.format(kg=kg, percent=percent) if percent else kg


def load_to_take(load: Load, texts: SheetTexts) -> str:
    """Return what to lift, or that the lifter chooses it."""
    if load.suggested:
        return texts.about.format(load=load_words(load, texts), why=texts.load_untold)
    return load_words(load, texts) or texts.load_to_choose


def rest_words(to_do: ToDo, texts: SheetTexts) -> str:
    """Return `rest 3 min`; nothing when no rest is known."""
    seconds = to_do.rest_seconds
    if seconds is None:
        return ""
    minutes, left = divmod(seconds, SECONDS_PER_MINUTE)
    if seconds <= LONGEST_IN_SECONDS:
        told = texts.seconds.format(seconds=round(seconds, 1))
    else:
        told = texts.minutes.format(minutes=minutes)
        told += f" {texts.seconds.format(seconds=round(left, 1))}" if left else ""
    return (texts.rest if to_do.rest_told else texts.rest_about).format(time=told)


def leave_words(reserve: ReserveRange, texts: SheetTexts) -> str:
    """Return `Leave 2.5 reps (2 to 3)`, without a range that holds the target alone."""
    told = texts.leave.format(target=round(reserve.target, 1))
    if reserve.low == reserve.high:
        return told
    return texts.held.format(told=told, low=round(reserve.low, 1), high=round(reserve.high, 1))


def speed_words(to_do: ToDo, texts: SheetTexts) -> str:
    """Return `Bar speed 10-20 % down.`; nothing where speed tells nothing."""
    if to_do.velocity_loss_percent is None:
        return ""
    low, high = to_do.velocity_loss_percent
    return texts.speed.format(low=low, high=high)


def reps_words(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> str:
    """Return `8 reps` or `3 sets of 8 reps`, without the sets' numbers."""
    return dose_words(group, to_do, texts).partition(": ")[2]


def dose_words(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> str:
    """Return `Set 2: 8 reps` or `Sets 1-3: 3 sets of 8 reps`."""
    reps = texts.rep_count.format(count=to_do.rep_target)
    numbers = runs(each.set_order for each in group.sets)
    if len(group.sets) == 1:
        return texts.dose_one.format(numbers=numbers, reps=reps)
    sets = texts.set_count.format(count=len(group.sets))
    return texts.dose_alike.format(numbers=numbers, sets=sets, reps=reps)


def exertion_words(rpe: ExertionRange | None, texts: SheetTexts) -> str:
    """Return `RPE 7.5 (7 to 8)`; nothing where the scale has no number."""
    if rpe is None or rpe.target is None:
        return ""
    told = texts.rpe.format(target=round(rpe.target, 1))
    if rpe.low is None or rpe.high is None or rpe.low == rpe.high:
        return told
    return texts.held.format(told=told, low=round(rpe.low, 1), high=round(rpe.high, 1))


def sets_told(group: SetGroup, exercise: SheetExercise, texts: SheetTexts) -> str:
    """Return which sets a group holds: `All 3 sets`, `Sets 2-3`, `Set 1`."""
    whole = sum(len(each.sets) for each in exercise.groups)
    if len(group.sets) == whole:
        return texts.the_set if whole == 1 else texts.all_sets.format(count=whole)
    told = runs(each.set_order for each in group.sets)
    return texts.some_sets.format(count=len(group.sets), numbers=told)


def _expected(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> str | None:
    """Return which repetitions to expect where at least one of those planned is missing; None where none is.

    Sets alike in what they complete are told together, others in turn: `6 to 7`, `12, 11 and 10`. Nothing is told
    where the lifter is to choose the load.
    """
    if not load_words(to_do.load, texts):
        return None
    predicted = [each.predicted_reps for each in group.sets if each.predicted_reps is not None]
    if not predicted or min(predicted) > to_do.rep_target - 1:
        return None
    if max(predicted) - min(predicted) > 1:
        *first, last = (f"{each:.0f}" for each in predicted)
        told = texts.in_turn.format(first=", ".join(first), last=last)
        return texts.expect.format(reps=told, most=round(max(predicted)))
    low, high = floor(min(predicted)), min(ceil(max(predicted)), to_do.rep_target)
    if not high:
        return texts.expect_none
    told = f"{low}" if low == high else texts.from_to.format(low=low, high=high)
    return texts.expect.format(reps=told, most=high)


def _ways_out(to_do: ToDo, texts: SheetTexts) -> str:
    ways = []
    if to_do.other_load is not None:
        ways.append(texts.take.format(load=load_words(to_do.other_load, texts)))
    if to_do.other_reps is not None:
        ways.append(texts.do.format(reps=texts.rep_count.format(count=to_do.other_reps)))
    return texts.or_.join(ways)


def advice(group: SetGroup, to_do: ToDo, texts: SheetTexts) -> str:
    """Return what there is to say where load and reps disagree, or where the plan wanted another reserve.

    A load that is light for the set alone is not called so where earlier work takes repetitions away.
    """
    told = []
    if expected := _expected(group, to_do, texts):
        told.append(expected)
        if to_do.too_heavy and to_do.other_load is not None:
            load = load_words(to_do.other_load, texts)
            told.append(texts.too_heavy.format(rep_target=to_do.rep_target, load=load))
    elif to_do.too_light and (ways := _ways_out(to_do, texts)):
        told.append(texts.too_light.format(instead=ways))
    if to_do.proposed_reps is not None:
        told.append(texts.proposed.format(proposed=to_do.proposed_reps))
    return " ".join(told)
