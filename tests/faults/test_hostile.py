"""Hostile HTTP and websockets: a clear refusal each time, no trace in the log, and the flight goes on.

Two megabytes here; thirty with `LEEWARD_ROUNDS=30 pytest tests/faults/test_hostile.py`.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import struct
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.core.result import Ok

from server.screen.app import create_app
from tests.faults.rounds import rounds
from tests.faults.test_sources import memory_kb
from tests.screen.demo_feed import DemoFeed
from tests.session.running import Running, Tnc, leeward
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now

MEGABYTE = 1_000_000
MOST_GROWTH_KB = 120_000
TOKEN = "a-long-enough-token"
PATHS = (
    "/",
    "/ws",
    "/peer",
    "/api/state",
    "/api/acknowledge",
    f"/api/beacon/{TOKEN}",
    "/web/main.js",
    f"/api/json/{TOKEN}",
    "/tiles/a/1/1/1",
    "/../../etc/passwd",
    "/web/%2e%2e/%2e%2e/pyproject.toml",
    "/%00",
)


@contextlib.asynccontextmanager
async def besieged(tmp_path: Path) -> AsyncIterator[Running]:
    """A station with a flight; afterwards it must have said nothing and still follow."""
    plan, log = tmp_path / "tern.toml", tmp_path / "errors.log"
    shift_s = shift_to_now(3_000.0)
    with log.open("wb") as errors:
        async with Tnc() as tnc:
            plan.write_text(PLAN + TNC.format(port=tnc.port))
            async with leeward("live", str(plan), errors=errors) as running:
                for i in range(50):
                    await tnc.send(line_at(30.0 * i, shift_s))
                await running.until(lambda s: s["trackers"][0]["fixes"] == 50)
                before_kb = memory_kb(running)
                yield running
                assert running.process.returncode is None
                await tnc.send(line_at(1_500.0, shift_s))
                await running.until(lambda s: s["trackers"][0]["fixes"] == 51)
                assert memory_kb(running) - before_kb < MOST_GROWTH_KB
                assert await running.end() == 0
    said = log.read_text(errors="replace")
    assert "Traceback" not in said, said[-3_000:]


def description() -> dict[str, Any]:
    return create_app(DemoFeed(), described=True).openapi()


def test_the_description_knows_every_door() -> None:
    paths = description()["paths"]
    assert {"/api/acknowledge", "/api/vehicle", "/api/replay", "/api/enter", "/api/links"} <= set(
        paths
    )
    assert "requestBody" in paths["/api/vehicle"]["post"]
    answer = paths["/api/state"]["get"]["responses"]["200"]["content"]["application/json"]
    assert answer["schema"] == {"$ref": "#/components/schemas/State"}


async def test_requests_made_from_the_description_against_it(tmp_path: Path) -> None:
    """schemathesis makes them, right and wrong ones; no answer may be the server's own fault."""
    schema = schemathesis.openapi.from_dict(description())
    found = list(schema.get_all_operations())
    operations = [one.ok() for one in found if isinstance(one, Ok)]
    assert len(operations) == len(found)
    assert len(operations) > 12

    def attack(address: str) -> int:
        sent = 0
        with httpx.Client(base_url=address, timeout=30.0) as client:
            for operation in operations:
                strategy = (
                    operation.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE)
                    | operation.as_strategy()
                )

                @given(strategy)
                @settings(
                    max_examples=20 * rounds(2),
                    deadline=None,
                    database=None,
                    derandomize=True,
                    phases=[Phase.generate],
                    suppress_health_check=list(HealthCheck),
                )
                def ask(case: schemathesis.Case[Any]) -> None:
                    nonlocal sent
                    made = case.as_transport_kwargs(base_url=address)
                    with contextlib.suppress(UnicodeEncodeError, httpx.InvalidURL, ValueError):
                        reply = client.request(
                            made["method"],
                            made["url"],
                            params=made.get("params"),
                            headers=dict(made.get("headers") or {}),
                            json=made.get("json"),
                            content=made.get("data"),
                        )
                        sent += len(str(made))
                        assert reply.status_code < 500, (made, reply.text)

                ask()
        return sent

    async with besieged(tmp_path) as running:
        assert await asyncio.to_thread(attack, running.address) > 10_000


def http_noise(chance: random.Random) -> bytes:
    """A request that is none, or one that is too much."""
    kind = chance.randrange(8)
    path = chance.choice(PATHS).encode()
    if kind == 0:
        return chance.randbytes(chance.randrange(1, 20_000))
    if kind == 1:
        return (
            b"GET "
            + path
            + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            + b"X-A: "
            + b"a" * 90_000
            + b"\r\n\r\n"
        )
    if kind == 2:
        return b"GET /" + b"a" * chance.randrange(70_000) + b" HTTP/1.1\r\n\r\n"
    if kind == 3:
        body = chance.randbytes(chance.randrange(1, 60_000))
        return (
            b"POST "
            + path
            + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: %d\r\n\r\n"
            % (len(body) + chance.choice((-1, 0, 1, 10**9)))
            + body
        )
    if kind == 4:
        return (
            b"POST "
            + path
            + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n"
            + b"%x\r\n" % chance.getrandbits(chance.choice((8, 60)))
            + chance.randbytes(chance.randrange(30_000))
        )
    if kind == 5:
        headers = b"".join(
            b"X-%d: %s\r\n" % (i, chance.randbytes(20).hex().encode()) for i in range(400)
        )
        return b"GET " + path + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n" + headers + b"\r\n"
    if kind == 6:
        one = (
            b"GET " + path + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: leeward=\xff\xfe;;=;\r\n\r\n"
        )
        return one * chance.randrange(1, 200)
    return bytes(chance.choice((0, 10, 13, 32, 65)) for _ in range(chance.randrange(1, 9_000)))


def frames(chance: random.Random) -> Iterator[bytes]:
    """Frames of RFC 6455, section 5.2, with bits as they fall."""
    if chance.random() < 0.4:
        yield frame(1, b'{"kind": "resume", "session": null, "sequence": null}')
    for _ in range(chance.randrange(1, 12)):
        length = chance.choice((0, 1, 125, 126, 3_000, 70_000))
        payload = chance.randbytes(length) if chance.random() < 0.6 else b"[" * length
        yield frame(
            chance.randrange(16),
            payload,
            final=chance.random() < 0.7,
            reserved=chance.choice((0, 0, 0, 1, 4, 7)),
            claimed=None if chance.random() < 0.8 else chance.getrandbits(63),
            masked=chance.random() < 0.9,
        )


def frame(
    opcode: int,
    payload: bytes,
    *,
    final: bool = True,
    reserved: int = 0,
    claimed: int | None = None,
    masked: bool = True,
) -> bytes:
    length = len(payload) if claimed is None else claimed
    head = bytes([final << 7 | reserved << 4 | opcode])
    bit = masked << 7
    if length < 126:
        head += bytes([bit | length])
    elif length < 65_536:
        head += bytes([bit | 126]) + struct.pack(">H", length)
    else:
        head += bytes([bit | 127]) + struct.pack(">Q", length)
    return head + (bytes(4) if masked else b"") + payload


async def throw(port: int, data: bytes) -> int:
    """Send it, take what comes back for a moment, go. The bytes that were taken from us."""
    with contextlib.suppress(OSError, TimeoutError):
        async with asyncio.timeout(5.0):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            try:
                writer.write(data)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(0.02):
                        await writer.drain()
                        while await reader.read(65_536):
                            pass
            finally:
                writer.close()
    return len(data)


def websocket_noise(chance: random.Random) -> bytes:
    path = chance.choice((b"/ws", b"/peer"))
    head = (
        b"GET " + path + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\n"
        b"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    )
    return head + b"".join(frames(chance))


@pytest.mark.parametrize("noise", [http_noise, websocket_noise])
async def test_noise_on_the_wire(tmp_path: Path, noise: Callable[[random.Random], bytes]) -> None:
    chance = random.Random(606)
    async with besieged(tmp_path) as running:
        port = int(running.address.rsplit(":", 1)[1])
        sent = 0
        while sent < rounds(2) * MEGABYTE / 2:
            burst = [throw(port, noise(chance)) for _ in range(8)]
            sent += sum(await asyncio.gather(*burst))
