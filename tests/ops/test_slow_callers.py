"""Callers who send a byte at a time, over real sockets: they are ended, and nobody else notices."""

import asyncio
import time
from contextlib import suppress
from pathlib import Path

import httpx

from tests.databases import fresh_database
from tests.ops.replicas import replica
from tests.serving import make_key

CALLERS, PLACES, SECONDS = 40, 2, 1
PATHS = ("/v1/prescriptions", "/v1/prescriptions?detail=brief", "/v1/prescriptions/batch")


async def all_of(reader: asyncio.StreamReader) -> bytes:
    """Return what comes until the connection ends: closed, or reset because a byte too many was on its way."""
    parts = []
    with suppress(ConnectionResetError):
        while part := await reader.read(65536):
            parts.append(part)
    return b"".join(parts)


async def trickle(port: int, token: str, path: str) -> tuple[bytes, float]:
    """Send a header and then a byte now and then; return the whole answer, and after how many seconds it ended."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    began = time.monotonic()
    lines = [
        f"POST {path} HTTP/1.1",
        "Host: service.test",
        f"Authorization: Bearer {token}",
        "Content-Type: application/json",
        "Content-Length: 1000",
        "",
        "",
    ]
    writer.write("\r\n".join(lines).encode())
    answer = asyncio.ensure_future(all_of(reader))
    while not answer.done():
        if not writer.is_closing():
            writer.write(b" ")
        await asyncio.wait([answer], timeout=0.1)
    writer.close()
    return await answer, time.monotonic() - began


async def test_a_head_of_more_than_64_kib_is_refused_by_the_server(tmp_path: Path) -> None:
    """Before anything of ours reads it: a long address, long headers, many headers; short ones are answered."""
    heads = {
        b"200": b"GET /v1/muscles HTTP/1.1\r\nHost: x\r\nConnection: close\r\nAccept: " + b"a," * 25_000,
        b"414": b"GET /v1/muscles?" + b"x" * 65_600 + b" HTTP/1.1\r\nHost: x",
        b"431": b"GET /v1/muscles HTTP/1.1\r\nHost: x\r\nAccept: " + b"a," * 100_000,
        b"431 ": b"GET /v1/muscles HTTP/1.1\r\nHost: x" + b"\r\na: b" * 150,
    }
    with fresh_database("sqlite") as url, replica(url, tmp_path) as one:
        for status, head in heads.items():
            reader, writer = await asyncio.open_connection("127.0.0.1", one.port)
            writer.write(head + b"\r\n\r\n")
            answer = await asyncio.wait_for(reader.read(), 10)
            writer.close()
            assert answer.split(b" ")[1] == status.strip(), answer[:200]


async def test_bodies_of_a_byte_at_a_time_are_ended_and_others_served(tmp_path: Path) -> None:
    """Forty of them where two requests are worked on at a time: 408 and closed, while others get their answers."""
    limits = {"EFFORT_REQUEST_SECONDS": str(SECONDS), "EFFORT_MAX_IN_FLIGHT": str(PLACES)}
    with fresh_database("sqlite") as url:
        token = (await make_key(url)).token
        headers = {"authorization": f"Bearer {token}"}
        with replica(url, tmp_path, **limits) as one:
            async with httpx.AsyncClient(base_url=one.address, headers=headers) as client:
                assert (await client.post(PATHS[0], json={"rep_target": 8})).is_success
                slow = [
                    asyncio.create_task(trickle(one.port, token, PATHS[n % len(PATHS)]))
                    for n in range(CALLERS)
                ]
                await asyncio.sleep(SECONDS / 2)
                served = [
                    (await client.post(PATHS[1], json={"rep_target": 8})).status_code for _ in range(20)
                ]
                ended = await asyncio.gather(*slow)
                after = (await client.post(PATHS[1], json={"rep_target": 8})).status_code
            assert one.stop() == 0
    assert served == [200] * 20
    assert after == 200
    for answer, seconds in ended:
        assert answer.startswith(b"HTTP/1.1 408 "), answer[:200]
        assert b'"type":"/problems/body-too-slow"' in answer
        assert b"connection: close" in answer.lower()
        assert SECONDS * 0.9 < seconds < SECONDS + 5
