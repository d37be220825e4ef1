"""How long a batch of 1,000 keeps other requests waiting at most, by format. See README.md beside this file.

Times are processor time of the loop, as the machine may be shared.
"""

import asyncio
import gc
import statistics
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from time import thread_time

import msgspec
from msgspec.structs import asdict

from service.api.edge import ASGI, Message
from service.app import create_app
from service.policy.catalogue import load_policies
from service.rules.context import SetContext
from tests.bench.contexts import random_contexts
from tests.databases import fresh_database
from tests.serving import lifespan_of, make_key, settings_for

BATCH, ROUNDS = 1000, 12
FORMATS = ("application/json", "application/vnd.msgpack", "application/x-ndjson")


@asynccontextmanager
async def watched() -> AsyncIterator[list[float]]:
    """Yield a list that holds in the end how long the loop took from one turn of another task to the next [s]."""
    gaps: list[float] = []

    async def tick() -> None:
        last = thread_time()
        while True:
            await asyncio.sleep(0)
            now = thread_time()
            gaps.append(now - last)
            last = now

    ticking = asyncio.create_task(tick())
    await asyncio.sleep(0)
    try:
        yield gaps
    finally:
        ticking.cancel()


async def sent(app: ASGI, token: str, body: bytes, detail: str, accept: str) -> int:
    """Send one batch past HTTP, as a server would hand it over; return the length of the answer [bytes]."""
    got, asked, answered = 0, False, asyncio.Event()

    async def receive() -> Message:
        nonlocal asked
        if asked:
            await answered.wait()
            return {"type": "http.disconnect"}
        asked = True
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Message) -> None:
        nonlocal got
        assert message.get("status", 200) == 200, message
        if message["type"] == "http.response.body":
            got += len(message["body"])
            if not message.get("more_body"):
                answered.set()

    headers = {
        "host": "service.test",
        "content-type": "application/json",
        "content-length": str(len(body)),
        "accept": accept,
        "authorization": f"Bearer {token}",
    }
    path = "/v1/prescriptions/batch"
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": f"detail={detail}".encode(),
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 2),
    }
    await app(scope, receive, send)
    return got


def batch_of(contexts: list[SetContext]) -> bytes:
    """Return the body of a batch; what a context leaves out is not sent."""
    sent = [
        {name: value for name, value in asdict(context).items() if value is not None} for context in contexts
    ]
    return msgspec.json.encode({"contexts": sent})


async def measure() -> None:
    """Print one line a format and detail: the longest turn of each batch of contexts never seen, median and worst."""
    policy = load_policies(with_drafts=True).newest
    seed = 0
    with fresh_database("sqlite") as url:
        key = await make_key(url, "prescribe")
        app = create_app(settings_for(url, EFFORT_LOG_REQUESTS="off", EFFORT_RATE_LIMIT_PER_MINUTE="0"))
        gc.freeze()  # as a worker does
        async with lifespan_of(app):
            for accept in FORMATS:
                for detail in ("brief", "full"):
                    longest, took = [], []
                    for _ in range(ROUNDS):
                        seed += 1
                        body = batch_of(random_contexts(policy, BATCH, seed=seed))
                        start = thread_time()
                        async with watched() as gaps:
                            await sent(app, key.token, body, detail, accept)
                        took.append((thread_time() - start) * 1e3)
                        longest.append(max(gaps) * 1e3)
                    print(
                        f"{accept:<24} {detail:<5} longest turn {statistics.median(longest):5.1f} ms, worst "
                        f"{max(longest):5.1f} ms; whole batch {statistics.median(took):6.1f} ms"
                    )


if __name__ == "__main__":
    asyncio.run(measure())
