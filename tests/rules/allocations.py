"""Plans over their limits to test with, and the best choice of failure sets found by trying all of them."""

from collections import Counter
from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import combinations
from math import ceil, fsum

from hypothesis import strategies as st
from msgspec import Struct
from msgspec.structs import replace

from service.rules.plans.allocate import Allocation, Budget, Candidate, allocate

CLOSE = 1e-8  # of a share limit [sets]; a limit is kept but for rounding
MOST_NUMBER = 10
Totals = dict[tuple[int, str], float]


class Case(Struct, frozen=True):
    """Candidates, all sets of their weeks by muscle, and limits."""

    candidates: tuple[Candidate, ...]
    totals: Totals
    budget: Budget

    def solved(self, *most_branches: int) -> Allocation:
        """Return the answer, with another limit on the search where one is given."""
        return allocate(self.candidates, self.totals, self.budget, *most_branches)


def candidate(place: int, **changes: object) -> Candidate:
    """Return a set for muscle a in session 0 of week 1 that costs nothing, with changes."""
    plain = Candidate(place=place, session=0, week=1, muscles={"a": 1.0}, cost_reps=0.0)
    return replace(plain, **changes)


def budget(per_session: int | None = None, share: float | None = None) -> Budget:
    """Return limits; left out: none."""
    return Budget(failure_sets_per_session=per_session, failure_share_per_muscle=share)


halves = st.sampled_from((0.5, 1.0))
costs = st.integers(0, 12).map(lambda eighths: eighths / 8) | st.floats(0, 5)
limits = st.builds(
    budget,
    st.none() | st.integers(0, 4),
    st.none() | st.sampled_from((0.0, 0.25, 0.3, 0.5, 0.7, 1.0)) | st.floats(0, 1),
)


both_limits = st.builds(budget, st.integers(1, 3), st.sampled_from((0.2, 0.3, 0.4, 0.5, 0.6)))


@st.composite
def cases(
    draw: st.DrawFn,
    weights: st.SearchStrategy[float] = halves,
    *,
    least_number: int = 0,
    sessions_per_week: int = 2,
    limits: st.SearchStrategy[Budget] = limits,
) -> Case:
    """Up to ten candidates in up to four sessions, beside sets that are not at failure."""
    candidates = []
    places = st.lists(st.integers(0, 40), unique=True, min_size=least_number, max_size=MOST_NUMBER)
    for place in draw(places):
        session = draw(st.integers(0, 3))
        week = 1 + session // sessions_per_week
        muscles = draw(st.dictionaries(st.sampled_from("abc"), weights, max_size=3))
        candidates.append(
            candidate(place, session=session, week=week, muscles=muscles, cost_reps=draw(costs))
        )
    totals: Totals = Counter()
    for one in candidates:
        for muscle, share in one.muscles.items():
            totals[one.week, muscle] += share
    others = draw(st.integers(0, 8))
    return Case(tuple(candidates), {key: total + others / 2 for key, total in totals.items()}, draw(limits))


crowded = cases(halves | st.sampled_from((0.3, 0.7)), least_number=8, sessions_per_week=4, limits=both_limits)


def fits(case: Case, kept: Sequence[Candidate]) -> bool:
    """Tell whether these sets may be at failure together."""
    most, share = case.budget.failure_sets_per_session, case.budget.failure_share_per_muscle
    if most is not None and any(count > most for count in Counter(one.session for one in kept).values()):
        return False
    return share is None or all(
        fsum(one.muscles.get(muscle, 0.0) for one in kept if one.week == week) <= share * total + CLOSE
        for (week, muscle), total in case.totals.items()
    )


def objective(kept: Iterable[Candidate]) -> tuple[int, Fraction, list[int]]:
    """Return what is to be greatest: number, then cost saved, then places, the latest first."""
    kept = list(kept)
    cost = sum((Fraction(one.cost_reps) for one in kept), Fraction(0))
    return len(kept), -cost, sorted((one.place for one in kept), reverse=True)


def best(case: Case) -> frozenset[int]:
    """Return the places of the best of all choices, by trying them, the greatest numbers first."""
    for number in range(len(case.candidates), 0, -1):
        fitting = [kept for kept in combinations(case.candidates, number) if fits(case, kept)]
        if fitting:
            return frozenset(one.place for one in max(fitting, key=objective))
    return frozenset()


def cheapest_first(case: Case) -> list[Candidate]:
    """Return whatever fits in order of cost, later places first."""
    kept: list[Candidate] = []
    for one in sorted(case.candidates, key=lambda one: (one.cost_reps, -one.place)):
        if fits(case, [*kept, one]):
            kept.append(one)
    return kept


def kept_of(case: Case, answer: Allocation) -> list[Candidate]:
    """Return the candidates that stay at failure."""
    return [one for one in case.candidates if one.place in answer.kept]


def guarantee(case: Case) -> int:
    """Return D: the answer keeps at least 1/D of the greatest number, however short the search."""
    spread: dict[tuple[int, str], list[float]] = {}
    alone = [one for one in case.candidates if fits(case, [one])]
    for one in alone:
        for muscle, share in one.muscles.items():
            spread.setdefault((one.week, muscle), []).append(share)
    per_session = case.budget.failure_sets_per_session is not None
    shared = case.budget.failure_share_per_muscle is not None
    ratios = {key: ceil(max(shares) / min(shares)) for key, shares in spread.items()}
    return max(
        (
            per_session + shared * sum(ratios[one.week, muscle] for muscle in one.muscles) or 1
            for one in alone
        ),
        default=1,
    )
