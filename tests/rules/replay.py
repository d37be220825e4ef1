"""The ledger's rules written down a second time, from the contract's own numbers, to check answers with.

Nothing here reads the core: only the document that was sent, the answer, and the policy's exercises.
"""

from math import ceil, floor

from tests.rules.contexts import POLICY, Document

STAY_AWAY = ("experience", "exposures", "recovery", "failure_share")
DISCOUNTS = ("set_order", "experience", "exercise_type")
LEDGER_ORDER = (
    "base",
    "exercise_order",
    "later_overlapping_sets",
    "set_order",
    "experience",
    "exposures",
    "recovery",
    "failure_share",
    "exercise_type",
    "discount_limit",
    "rep_band_window",
    "goal",
    "deload",
    "safety_floor",
    "rounding",
)
CAUTION_FLOORS = {
    "first_session": 3.0,
    "pregnancy": 3.0,
    "hypertension_not_controlled": 3.0,
    "heart_or_vessel_condition": 3.0,
    "under_18": 2.0,
    "age_65_or_over": 2.0,
    "recent_injury_or_surgery": 2.0,
}
GOAL_FLOORS = {"strength": 1.0, "power": 3.0}


def retention(days: float) -> float:
    """What absence leaves of exposures: 1 to 56 days, 0.5 at 84, 0 from 182, straight lines between."""
    if days <= 56:
        return 1.0
    if days < 84:
        return 1.0 - 0.5 * (days - 56) / 28
    if days < 182:
        return 0.5 - 0.5 * (days - 84) / 98
    return 0.0


def effective_exposures(document: Document) -> float:
    """min(exposures, 4) x retention; 4 exposures and no absence where nothing was sent."""
    sent = document.get("exposures")
    return min(4 if sent is None else sent, 4) * retention(document.get("days_since_last_exposure") or 0)


def window(document: Document) -> tuple[float, float]:
    """Lowest and highest target of the rep band, before goal, deload and floors."""
    rep_target = document["rep_target"]
    if rep_target <= 5:
        return 1.0, 4.0
    if rep_target <= 12:
        return 0.0, 4.0
    return 0.0, 3.0 if effective_exposures(document) == 0 else 2.0


def is_under_bar(document: Document) -> bool:
    """Whether a failed rep could pin the lifter."""
    if document.get("exercise") is not None:
        return POLICY.data.exercises[document["exercise"]].under_bar
    return bool((document.get("exercise_traits") or {}).get("under_bar"))


def safety_floor(document: Document) -> float:
    """The highest floor that applies [repetitions], 0 for none."""
    floors = [CAUTION_FLOORS[code] for code in document.get("cautions") or ()]
    floors.append(GOAL_FLOORS.get(document.get("goal") or "hypertrophy", 0.0))
    if is_under_bar(document) and not document.get("spotter") and not document.get("safety_arms"):
        floors.append(3.0 if document["rep_target"] <= 6 else 2.0)
    return max(floors)


def rounded(value: float) -> float:
    """To the half rep, ties away from failure."""
    return floor(value * 2 + 0.5) / 2


def shifts(told: dict[str, float]) -> float:
    """What goal and deload moved after the window [repetitions]."""
    return told.get("goal", 0.0) + told.get("deload", 0.0)


def lifted_top(document: Document, told: dict[str, float]) -> float:
    """Top of the window in force: the band's, raised by what goal and deload added to the target."""
    raised = max(told.get("goal", 0.0), 0.0) + max(told.get("deload", 0.0), 0.0)
    return window(document)[1] + raised


def reserve_range(document: Document, told: dict[str, float], target: float) -> tuple[float, float]:
    """(low, high) by the contract's formula."""
    low = max(0.0, float(ceil(target - 1)), safety_floor(document))
    high = min(float(floor(target + 1)), max(lifted_top(document, told), float(ceil(target))))
    return low, high
