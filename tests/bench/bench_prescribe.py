"""Time of one prescription in the rules core, encoding included, without HTTP. See README.md beside this file."""

import random
import statistics
import time
import tracemalloc
from collections.abc import Callable

import msgspec

from service.policy.catalogue import load_policies
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe, prescribe_brief
from service.rules.written.write import Writer
from tests.bench.contexts import random_contexts

COUNT, WARM, TOGETHER = 6000, 30_000, 40
encode = msgspec.json.Encoder().encode


def quiet_us(function: Callable[[SetContext], object], contexts: list[SetContext]) -> float:
    """Microseconds per call: the fastest tenth of short runs, as the machine may be shared."""
    runs = []
    for first in range(0, len(contexts), TOGETHER):
        some = contexts[first : first + TOGETHER]
        start = time.perf_counter()
        for context in some:
            function(context)
        runs.append((time.perf_counter() - start) / len(some) * 1e6)
    return statistics.quantiles(runs, n=10)[0]


def copy_of(context: SetContext) -> SetContext:
    """An equal context that is another object, as the next request brings it."""
    return msgspec.json.decode(encode(context), type=SetContext)


def with_own_loads(contexts: list[SetContext]) -> list[SetContext]:
    """The same, each with a load that no other has."""
    rnd = random.Random(5)
    return [msgspec.structs.replace(each, load_percent_1rm=rnd.uniform(30, 95)) for each in contexts]


def print_times(name: str, function: Callable[[SetContext], object], policy: Policy, warm: int) -> None:
    """Print one line: contexts never seen in a warm process, the same again, every load unique."""
    for context in random_contexts(policy, warm, seed=1):
        function(context)
    contexts = random_contexts(policy, COUNT, seed=7)
    new = quiet_us(function, contexts)
    again = contexts[:1000]
    quiet_us(function, again)
    seen = quiet_us(function, [equal for _ in range(4) for equal in map(copy_of, again)])
    unique = quiet_us(function, with_own_loads(random_contexts(policy, COUNT, seed=8)))
    print(f"{name:<15} never seen {new:6.1f} us   again {seen:6.1f} us   own loads {unique:6.1f} us")


def main() -> None:
    """Print the plain way, the way through pieces, and what the pieces take."""
    for detail, plain in (("brief", prescribe_brief), ("full", prescribe)):
        policy = load_policies(with_drafts=True).newest
        print_times(f"plain {detail}", lambda c, f=plain, p=policy: encode(f(c, p)), policy, 2000)
        writer = Writer(policy)
        print_times(f"pieces {detail}", lambda c, w=writer, d=detail: w.written(c, d), policy, WARM)
    policy = load_policies(with_drafts=True).newest
    contexts = random_contexts(policy, WARM, seed=3)
    tracemalloc.start()
    writer = Writer(policy)
    for context in contexts:
        writer.written(context, "full")
        writer.written(context, "brief")
    print(f"pieces of {WARM} contexts: at most {tracemalloc.get_traced_memory()[1] / 2**20:.1f} MiB")


if __name__ == "__main__":
    main()
