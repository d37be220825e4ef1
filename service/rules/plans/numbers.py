"""The numbers plans are prescribed and audited with, as typed data. `service.policy.plan_numbers` reads them."""

from typing import Annotated

from msgspec import Meta, Struct

from service.rules.answer import Severity
from service.rules.context import Goal
from service.rules.policy import Sourced

Share = Annotated[float, Meta(ge=0, le=1)]
Reps = Annotated[float, Meta(ge=0, le=10)]
Positive = Annotated[float, Meta(gt=0)]
Count = Annotated[int, Meta(ge=1)]


class Deload(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Share of an exercise's sets [0-1] that is kept in a deload, rounded up, at least one."""

    keep_share: Share
    source: Sourced


class Limit(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Reserve [repetitions] a set is moved to when a plan holds more failure than its limits allow, and how it is told.

    `text_session` and `text_share` may name limit, cost_reps, muscle, number (of the session or week, from 1).
    """

    raise_to_reps: Reps
    text_session: str
    text_share: str
    source: Sourced


class Assumed(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How values that stand in for what a plan leaves out are told; `rest_seconds` may name its value."""

    rest_seconds: str
    load_percent_1rm: str


class Rule(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How a warning is told: `text` says what is wrong, `mend` what to change and to what value."""

    severity: Severity
    text: str
    mend: str
    source: Sourced


class ConsecutiveDays(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fires below `under_hours` from start to start; the mend asks for `mend_hours`."""

    under_hours: Positive
    mend_hours: Positive
    most_named: Count


class NewExercise(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fires for fewer than `below_exposures` [sessions] and a reserve under `below_reps` [repetitions]."""

    below_exposures: Positive
    below_reps: Reps


class FailureShare(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fires above `above_share` [0-1] of a muscle's counted sets in each of `weeks` weeks running."""

    above_share: Share
    weeks: Count
    most_named: Count


class UnderBar(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The mend asks for `keep_reps` in reserve, for sets of up to `short_up_to_reps` for `keep_reps_short`."""

    keep_reps: Reps
    keep_reps_short: Reps
    short_up_to_reps: Count


class LightSet(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Long (`from_reps`) or light (`up_to_percent` [% of 1RM]) sets; fires above `above_reps` in reserve.

    `above_reps_when_new` takes its place for an exercise new to the lifter (fewer than `new_below_exposures`
    [sessions]). For `distant_goals` a set's own target does where it is higher. The mend never asks for less than the
    prescribed range.
    """

    from_reps: Count
    up_to_percent: Positive
    above_reps: Reps
    above_reps_when_new: Reps
    new_below_exposures: Positive
    distant_goals: tuple[Goal, ...]


class AllSetsFar(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fires where every set has more than `above_reps` in reserve. `distant_goals` as for light sets."""

    above_reps: Reps
    distant_goals: tuple[Goal, ...]
    text_plan: str


class ShortRest(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Fires below `under_seconds` between sets of an exercise; the mend asks for `mend_seconds`."""

    under_seconds: Positive
    mend_seconds: Positive


class WeeklyVolume(Rule, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Counted sets per muscle and week, told against `aim_sets`; other words for special weeks."""

    aim_sets: Positive
    most_named: Count
    text_even: str
    mend_enough: str
    mend_deload: str


class Audit(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One rule per warning code."""

    consecutive_days: ConsecutiveDays
    new_exercise_close_to_failure: NewExercise
    early_failure_before_overlap: Rule
    failure_share_high: FailureShare
    under_bar_to_failure: UnderBar
    light_set_far_from_failure: LightSet
    all_sets_far_from_failure: AllSetsFar
    short_rest: ShortRest
    weekly_volume: WeeklyVolume


class Words(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Words that stand in other texts: how a list goes on, and muscles by id, by their English id where not told."""

    and_more: str = "{words} and {more} more"
    muscles: dict[str, str] = {}

    def muscle(self, name: str) -> str:
        """Return what a muscle is called within a sentence."""
        return self.muscles.get(name) or name.replace("_", " ")


class PlanNumbers(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All numbers of plans. A set planned to end below `failure_below_reps` [repetitions] counts as failure."""

    version: str
    failure_below_reps: Reps
    failure_source: Sourced
    deload: Deload
    limit: Limit
    assumed: Assumed
    audit: Audit
    words: Words = Words()
