"""Time of one prescription in the rules core, without HTTP. See README.md beside this file."""

import statistics
import time
from collections.abc import Callable

import msgspec

from service.policy.catalogue import load_policies
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from tests.bench.contexts import random_contexts

COUNT = 2000


def medians_us(function: Callable[[SetContext, Policy], object], policy: Policy) -> tuple[float, float]:
    """Median microseconds per call, for contexts never seen and for the same ones once more."""
    for context in random_contexts(policy, COUNT, seed=1):
        function(context, policy)  # a service is warm, but has not seen these contexts
    contexts = random_contexts(policy, COUNT, seed=7)
    rounds = []
    for _ in range(2):
        times = []
        for context in contexts:
            start = time.perf_counter_ns()
            function(context, policy)
            times.append(time.perf_counter_ns() - start)
        rounds.append(statistics.median(times) / 1000)
    return rounds[0], rounds[1]


def main() -> None:
    """Print one line per kind of answer, then what encoding adds."""
    for function in (prescribe_brief, prescribe):
        policy = load_policies(with_drafts=True).newest  # a fresh memo for each
        new, seen = medians_us(function, policy)
        print(f"{function.__name__:<18} new contexts {new:6.1f} us   seen before {seen:6.1f} us")
    encode = msgspec.json.Encoder().encode
    policy = load_policies(with_drafts=True).newest
    answers = [prescribe_brief(context, policy) for context in random_contexts(policy, COUNT, seed=7)]
    start = time.perf_counter()
    for answer in answers:
        encode(answer)
    print(f"encoding, brief    {(time.perf_counter() - start) / COUNT * 1e6:6.1f} us")


if __name__ == "__main__":
    main()
