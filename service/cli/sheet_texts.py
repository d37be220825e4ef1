"""The words of a session sheet, read from `sheet_texts.toml`."""

from functools import cache
from pathlib import Path

from msgspec import Struct

from service.policy.files import read_file

TEXTS = Path(__file__).with_name("sheet_texts.toml")


class Feel(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a reserve of up to `up_to_reps` [repetitions] feels like."""

    up_to_reps: float
    text: str


class SheetTexts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything a sheet says in its own words; values stand in braces. `feel` rises."""

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
    feel: tuple[Feel, ...]

    def feel_of(self, reserve_reps: float) -> str:
        """Return what a reserve [repetitions] feels like; the last text for what is beyond all levels."""
        levels = (level for level in self.feel if reserve_reps <= level.up_to_reps)
        return next(levels, self.feel[-1]).text


@cache
def sheet_texts() -> SheetTexts:
    """Return the words of sheets. Raises PolicyBroken."""
    return read_file(TEXTS, SheetTexts)
