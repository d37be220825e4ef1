"""Laws of the buckets on random traffic, and what they cost in memory."""

import asyncio
from uuid import UUID, uuid4

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.api.quotas import LocalQuotas, Quota, Taken
from service.storage.keys import Principal

KEY_QUOTA, TENANT_QUOTA = 7, 30
COSTS = st.integers(1, 40)
PAUSES = st.floats(0, 90)
TRAFFIC = st.lists(st.tuples(PAUSES, COSTS, st.sampled_from("ab")), min_size=1, max_size=60)
TENANT = UUID(int=7)


class Clock:
    """Seconds that pass when a test says so."""

    seconds = 0.0

    def __call__(self) -> float:
        """Return the present instant."""
        return self.seconds


def principal(key_id: str, tenant_id: UUID = TENANT) -> Principal:
    """Return who holds a key."""
    return Principal(tenant_id=tenant_id, key_id=key_id, scopes=frozenset(), sites=None, expires_at=None)


def opened(clock: Clock) -> LocalQuotas:
    """Return both quotas on a clock."""
    return LocalQuotas((Quota("key", KEY_QUOTA), Quota("tenant", TENANT_QUOTA)), monotonic=clock)


def take(quotas: LocalQuotas, who: Principal, cost: int) -> Taken:
    """Return the answer to a cost."""
    return asyncio.run(quotas.take(who, cost))


def parsed(taken: Taken) -> dict[str, tuple[int, int]]:
    """Return r and t of each policy in RateLimit."""
    told = dict(taken.headers)[b"ratelimit"].decode()
    items = [item.split(";") for item in told.split(", ")]
    return {name.strip('"'): (int(r[2:]), int(t[2:])) for name, r, t in items}


@given(TRAFFIC)
@settings(max_examples=150, deadline=None)
def test_no_traffic_gets_more_than_a_bucket_and_what_flows_in(traffic: list[tuple[float, int, str]]) -> None:
    """Paid until now <= quota x (1 + minutes), and what one request may go into debt for."""
    clock, paid = Clock(), {"a": 0, "b": 0, "all": 0}
    quotas = opened(clock)
    for pause, cost, key in traffic:
        clock.seconds += pause
        if not take(quotas, principal(key), cost).retry_after_seconds:
            paid[key] += cost
            paid["all"] += cost
        minutes = 1 + clock.seconds / 60
        debt = max(cost for _, cost, _ in traffic)
        assert paid["all"] <= TENANT_QUOTA * minutes + max(0, debt - TENANT_QUOTA) + 1e-3
        assert max(paid["a"], paid["b"]) <= KEY_QUOTA * minutes + max(0, debt - KEY_QUOTA) + 1e-3


@given(TRAFFIC, COSTS)
@settings(max_examples=150, deadline=None)
def test_retry_after_is_enough_and_no_second_more_than_needed(
    traffic: list[tuple[float, int, str]], cost: int
) -> None:
    """Every request succeeds in the end: at Retry-After, and not a second before."""
    clock = Clock()
    quotas = opened(clock)
    for pause, earlier, key in traffic:
        clock.seconds += pause
        take(quotas, principal(key), earlier)
    wait = take(quotas, principal("a"), cost).retry_after_seconds
    if wait:
        clock.seconds += wait - 1
        assert quotas.left(principal("a"), cost).retry_after_seconds == 1
        clock.seconds += 1
        assert take(quotas, principal("a"), cost).retry_after_seconds == 0


@given(TRAFFIC, st.data())
@settings(max_examples=150, deadline=None)
def test_who_keeps_to_what_is_told_is_not_refused(
    traffic: list[tuple[float, int, str]], data: st.DataObject
) -> None:
    """The least `r` of all policies, in as many pieces and as late as one likes within its `t` and after."""
    clock = Clock()
    quotas = opened(clock)
    for pause, earlier, key in traffic:
        clock.seconds += pause
        last = take(quotas, principal(key), earlier)
        if last.retry_after_seconds:
            assert all(t <= last.retry_after_seconds for _, t in parsed(last).values())
    left = min(r for r, _ in parsed(last).values())
    while left:
        clock.seconds += data.draw(PAUSES)
        cost = data.draw(st.integers(1, left))
        assert take(quotas, principal(traffic[-1][2]), cost).retry_after_seconds == 0
        left -= cost


def test_equal_subjects_of_two_tenants_are_two_callers() -> None:
    """A token's subject names somebody within its tenant only; in one tenant it is one caller."""
    quotas = LocalQuotas((Quota("key", 1),), monotonic=Clock())
    tenants = [uuid4(), uuid4(), TENANT, TENANT]
    tokens = [replace(principal("5ub1ec7", tenant), kind="token") for tenant in tenants]
    assert [take(quotas, token, 1).retry_after_seconds for token in tokens] == [0, 0, 0, 60]
    names = {quotas.quotas[0].owner(token) for token in tokens}
    assert len(names) == 3  # also the names of the buckets in Redis


def test_asking_what_is_left_takes_nothing() -> None:
    """However often."""
    quotas = opened(Clock())
    for _ in range(100):
        quotas.left(principal("a"), 1)
    assert take(quotas, principal("a"), KEY_QUOTA).retry_after_seconds == 0


def test_full_buckets_are_not_kept_and_empty_ones_are() -> None:
    """A million keys that come once leave no million buckets; who is in debt cannot hide among them."""
    clock = Clock()
    quotas = LocalQuotas((Quota("key", KEY_QUOTA),), monotonic=clock)
    take(quotas, principal("debtor"), 40)
    clock.seconds += 61
    for number in range(20_000):
        clock.seconds += 0.1
        quotas.left(principal(f"{number}", uuid4()), 1)
    assert len(quotas.quotas[0]._buckets) <= 4096
    clock.seconds = 70
    assert quotas.left(principal("debtor"), 1).retry_after_seconds > 200
