"""The words of a session sheet, read from `sheet_texts.toml`."""

from functools import cache
from pathlib import Path

from msgspec import Struct, field
from msgspec.structs import replace

from service.cli.words import words
from service.policy.languages import ENGLISH
from service.rules.answer import Severity
from service.rules.context import Equipment

TEXTS = Path(__file__).with_name("sheet_texts.toml")


class Feel(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a reserve of up to `up_to_reps` [repetitions] feels like."""

    up_to_reps: float
    text: str


class SheetTexts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything a sheet says in its own words; values stand in braces. `feel` rises. `day` is a pattern of CLDR."""

    title: str
    left_means: str
    in_the_plan: str
    deload: str
    left_out: str
    withheld: str
    feels: str
    every_set: str
    bar_speed: str
    done: str
    expect: str
    expect_none: str
    too_heavy: str
    too_light: str
    proposed: str
    load_untold: str
    load_to_choose: str
    column_do: str
    column_keep: str
    column_set: str
    column_reps: str
    column_left: str
    whole_plan: str
    warnings: str
    moved: str
    costs: str
    cost_totals: str
    cost_later: str
    cost_nothing: str
    cost_proposed: str
    payer: str
    assumed: str
    foot: str
    policy: str
    versions: str
    session: str
    day: str
    start: str
    number: str
    set_count: str
    rep_count: str
    percent_of_1rm: str
    kg: str
    kg_and_percent: str
    about: str
    seconds: str
    minutes: str
    rest: str
    rest_about: str
    leave: str
    held: str
    speed: str
    rpe: str
    dose_one: str
    dose_alike: str
    the_set: str
    all_sets: str
    some_sets: str
    in_turn: str
    from_to: str
    take: str
    do: str
    or_: str = field(name="or")
    and_more: str
    exercise_sets: str
    sessions: str
    sessions_with: str
    assumed_for: str
    blank: str
    severities: dict[Severity, str]
    equipment: dict[Equipment, str]
    feel: tuple[Feel, ...]
    language: str = ENGLISH

    def feel_of(self, reserve_reps: float) -> str:
        """Return what a reserve [repetitions] feels like; the last text for what is beyond all levels."""
        levels = (level for level in self.feel if reserve_reps <= level.up_to_reps)
        return next(levels, self.feel[-1]).text


@cache
def sheet_texts(code: str = ENGLISH) -> SheetTexts:
    """Return the words of sheets in a language. Raises PolicyBroken."""
    found: SheetTexts = words(TEXTS, SheetTexts, code)
    return replace(found, language=code)
