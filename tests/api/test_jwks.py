"""Keys of an issuer: read again when one is new, never in a storm, kept when they cannot be read."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import httpx
import pytest

from service.api.jwks import MOST_BYTES, KeySet, fetched, reader_of, usable_keys
from tests.api.issuer import claims, jwk, jwks, pair, settings, token
from tests.api.problem_shape import assert_problem
from tests.databases import fresh_database
from tests.serving import make_key, served

FIRST, SECOND = pair("EdDSA"), pair("EdDSA", 1)
ALLOWED = ("EdDSA",)


class Issuer:
    """What an address answers, how often it was asked, and the clock."""

    def __init__(self, *texts: bytes | Exception) -> None:
        self.texts = list(texts)
        self.asked = 0
        self.seconds = 1000.0
        self.open = asyncio.Event()
        self.open.set()

    async def read(self) -> bytes:
        """The next text, of which the last one stays."""
        self.asked += 1
        await self.open.wait()
        text = self.texts.pop(0) if len(self.texts) > 1 else self.texts[0]
        if isinstance(text, Exception):
            raise text
        return text

    def keys(self) -> KeySet:
        """The set, by this clock."""
        return KeySet(self.read, ALLOWED, monotonic=lambda: self.seconds)


async def test_a_thousand_unknown_keys_cost_one_reading() -> None:
    """All at once, and one after the other within the minute; then one more."""
    issuer = Issuer(jwks(jwk("a", FIRST)))
    keys = issuer.keys()
    found = await asyncio.gather(*(keys.find(f"unknown-{number}") for number in range(1000)))
    assert (found, issuer.asked) == ([None] * 1000, 1)
    for number in range(1000):
        issuer.seconds += 0.059
        assert await keys.find(f"more-{number}") is None
    assert issuer.asked == 1
    issuer.seconds += 2
    assert await keys.find("another") is None
    assert issuer.asked == 2


async def test_all_who_ask_while_it_is_read_get_the_new_key() -> None:
    """Whoever comes second waits for the first one's reading, and is not refused meanwhile."""
    issuer = Issuer(jwks(jwk("a", FIRST)))
    issuer.open.clear()
    keys = issuer.keys()
    asking = [asyncio.create_task(keys.find("a")) for _ in range(50)]
    await asyncio.sleep(0.01)
    asking[0].cancel()
    await asyncio.sleep(0.01)
    issuer.open.set()
    found = await asyncio.gather(*asking, return_exceptions=True)
    assert isinstance(found[0], asyncio.CancelledError)
    assert all(key is not None and not isinstance(key, BaseException) for key in found[1:])
    assert issuer.asked == 1


async def test_a_new_key_is_found_and_the_old_one_forgotten() -> None:
    """After a rotation at the issuer, a minute after the last reading at the latest."""
    issuer = Issuer(jwks(jwk("a", FIRST)), jwks(jwk("b", SECOND)))
    keys = issuer.keys()
    assert await keys.find("a") is not None
    issuer.seconds += 59
    assert await keys.find("b") is None
    issuer.seconds += 2
    assert await keys.find("b") is not None
    assert await keys.find("a") is None
    assert issuer.asked == 2


async def test_a_key_taken_out_of_the_set_is_not_taken_for_ever() -> None:
    """Nobody has to name an unknown one: keys older than five minutes are read again."""
    issuer = Issuer(jwks(jwk("a", FIRST)), jwks(jwk("b", SECOND)))
    keys = issuer.keys()
    assert await keys.find("a") is not None
    issuer.seconds += 299
    assert await keys.find("a") is not None
    issuer.seconds += 2
    assert await keys.find("a") is None


FAILURES: list[bytes | Exception] = [
    b"",
    b"<html>",
    b"{}",
    b'{"keys": {}}',
    b"[" * 100_000,
    b'{"keys": "' + b"x" * MOST_BYTES + b'"}',
    OSError("away"),
    TimeoutError(),
    httpx.ConnectError("away"),
    httpx.RemoteProtocolError("odd"),
    httpx.InvalidURL("odd"),
]


@pytest.mark.parametrize("failure", FAILURES, ids=lambda failure: repr(failure)[:30])
async def test_keys_are_kept_when_they_cannot_be_read(
    failure: bytes | Exception, caplog: pytest.LogCaptureFixture
) -> None:
    """And it is tried again a minute later; the log says so without the answer."""
    issuer = Issuer(jwks(jwk("a", FIRST)), failure, jwks(jwk("a", FIRST), jwk("b", SECOND)))
    keys = issuer.keys()
    assert await keys.find("a") is not None
    issuer.seconds += 400
    with caplog.at_level(logging.WARNING, "service.api"):
        assert await keys.find("a") is not None
        assert await keys.find("b") is None
    assert "keys known before are kept" in caplog.text
    issuer.seconds += 61
    assert await keys.find("b") is not None
    assert issuer.asked == 3


async def test_a_reading_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """After three seconds (here less); requests go on with the keys known before."""
    monkeypatch.setattr("service.api.jwks.FETCH_SECONDS", 0.05)
    issuer = Issuer(jwks(jwk("a", FIRST)))
    keys = issuer.keys()
    assert await keys.find("a") is not None
    issuer.open.clear()
    issuer.seconds += 400
    assert await keys.find("a") is not None
    assert issuer.asked == 2


async def test_an_empty_set_takes_all_keys_away() -> None:
    """The issuer says outright that none is good."""
    issuer = Issuer(jwks(jwk("a", FIRST)), jwks())
    keys = issuer.keys()
    assert await keys.find("a") is not None
    issuer.seconds += 400
    assert await keys.find("a") is None


def test_a_set_holds_a_hundred_keys_at_most() -> None:
    """The rest is not looked at."""
    entries = [jwk(f"k{number}", FIRST) for number in range(150)]
    assert len(usable_keys(jwks(*entries), ALLOWED)) == 100


Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def address(handler: Handler) -> AsyncIterator[str]:
    """Yield the address of a server that answers like this. No connection outlives the block."""
    answers: set[asyncio.Task[None]] = set()

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await handler(reader, writer)
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    server = await asyncio.start_server(
        lambda reader, writer: answers.add(asyncio.create_task(answer(reader, writer))), "127.0.0.1", 0
    )
    async with server:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/jwks.json"
        for each in answers:
            each.cancel()
        await asyncio.gather(*answers, return_exceptions=True)


def answering(*parts: bytes, pause_seconds: float = 0.0) -> Handler:
    """What sends these bytes and closes."""

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        try:
            for part in parts:
                writer.write(part)
                await writer.drain()
                await asyncio.sleep(pause_seconds)
        except OSError:
            pass  # the client has had enough
        finally:
            writer.close()

    return handle


OK = b"HTTP/1.1 200 OK\r\nconnection: close\r\n\r\n"


async def test_an_address_is_read_over_http() -> None:
    """As it comes."""
    text = jwks(jwk("a", FIRST))
    async with address(answering(OK, text[:20], text[20:])) as url:
        assert await fetched(url) == text
        assert await reader_of(url)() == text


async def test_no_redirect_is_followed() -> None:
    """The operator named an address; what lies there does not name another."""
    moved = b"HTTP/1.1 302 Found\r\nlocation: http://127.0.0.1:1/\r\nconnection: close\r\n\r\n"
    async with address(answering(moved)) as url:
        with pytest.raises(httpx.HTTPStatusError):
            await fetched(url)


async def test_an_endless_answer_is_cut() -> None:
    """At 256 KiB, however it is packed."""
    async with address(answering(OK, *[b"x" * 65_536] * 64)) as url:
        with pytest.raises(ValueError, match="at most"):
            await fetched(url)


async def test_a_slow_answer_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the time it takes in all, not by the pause between two bytes."""
    monkeypatch.setattr("service.api.jwks.FETCH_SECONDS", 0.2)
    async with address(answering(OK, *[b" "] * 100, pause_seconds=0.05)) as url:
        with pytest.raises(TimeoutError):
            await fetched(url)


async def test_a_rotation_is_followed_while_serving(tmp_path: Path) -> None:
    """The file is replaced; tokens of the new key are taken without a restart."""
    file = tmp_path / "jwks.json"
    file.write_bytes(jwks(jwk("a", FIRST)))
    with fresh_database("sqlite") as url:
        await make_key(url)
        async with served(url, **settings(file)) as client:

            async def post(bearer: str) -> httpx.Response:
                headers = {"authorization": f"Bearer {bearer}"}
                return await client.post("/v1/prescriptions", json={"rep_target": 8}, headers=headers)

            assert (await post(token("a", FIRST))).status_code == 200
            file.write_bytes(jwks(jwk("b", SECOND)))
            assert (await post(token("b", SECOND))).status_code == 200
            assert_problem(await post(token("a", FIRST, claims(sub="somebody-else"))), 401)
