"""One packet after a quiet second: from the TNC's port to a screen's socket, beside a bare relay's.

The station is a real `leeward live` in the middle of a flight, its past in the journal; it works a landing
out with every packet. The relay reads KISS frames from a port of its own and hands each on to its sockets,
no more. Both get each packet at once, now the one first and now the other. `--packets` is how many.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import re
import statistics
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

import orjson
from websockets.asyncio.client import ClientConnection, connect
from websockets.asyncio.server import broadcast, serve

from decoders.kiss import KissDecoder
from server.flight.inputs import Reception
from server.journal.database import Journal
from tests.flights import T0
from tests.session.running import PATIENCE_S, Running, Tnc, leeward
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now

PACKETS = 200
BEGINS_S = 5_300.0  # of the made flight, 100 s before its burst
BEFORE_EVERY_S = 5.0
HOST = "127.0.0.1"
NEW = orjson.dumps({"kind": "resume", "session": None, "sequence": None}).decode()
_MARK = re.compile(r"mark(\d+)z")


def run(packets: int = PACKETS) -> dict[str, float]:
    ours, theirs = multiprocessing.Pipe()
    relay = multiprocessing.get_context("spawn").Process(target=_relay, args=(theirs,))
    relay.start()
    try:
        return asyncio.run(_run(packets, ours))
    finally:
        relay.terminate()
        relay.join()


async def _run(packets: int, relay: Connection) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        async with Tnc() as tnc, Tnc() as bare_tnc:
            relay.send(bare_tnc.port)
            bare_port = await asyncio.to_thread(relay.recv)
            shift_s = shift_to_now(BEGINS_S)
            plan = _plan(Path(folder), tnc.port, shift_s)
            async with (
                leeward("live", str(plan)) as station,
                connect(station.address.replace("http", "ws") + "/ws", max_size=None) as screen,
                connect(f"ws://{HOST}:{bare_port}") as bare,
            ):
                await station.whole()
                await screen.send(NEW)
                return await _measured(packets, shift_s, station, (tnc, screen), (bare_tnc, bare))


def _plan(folder: Path, port: int, shift_s: float) -> Path:
    """The plan, with the flight up to now in the journal beside it."""
    plan = folder / "latency.toml"
    plan.write_text(PLAN + TNC.format(port=port))
    with Journal(plan.with_suffix(".sqlite3")) as journal:
        journal.append(
            Reception(
                round(1_000 * (T0 + BEFORE_EVERY_S * i + shift_s + 1.5)),
                "tnc",
                "tnc2",
                line_at(BEFORE_EVERY_S * i, shift_s),
            )
            for i in range(int(BEGINS_S / BEFORE_EVERY_S))
        )
    return plan


async def _measured(
    packets: int,
    shift_s: float,
    station: Running,
    *ways: tuple[Tnc, ClientConnection],
) -> dict[str, float]:
    """Of each way how long each packet took, and how many landings the station worked out."""
    loop = asyncio.get_running_loop()
    arrived = [[loop.create_future() for _ in range(packets)] for _ in ways]
    listening = [
        asyncio.ensure_future(_note(socket, seen))
        for (_, socket), seen in zip(ways, arrived, strict=True)
    ]
    took_ms: tuple[list[float], ...] = tuple([] for _ in ways)
    landings: set[str] = set()
    for i in range(packets):
        await asyncio.sleep(1.0 + i * 0.618 % 1.0)
        line = line_at(time.time() - T0 - shift_s, shift_s) + f"mark{i}z".encode()
        sent_s: dict[int, float] = {}
        for number in (0, 1) if i % 2 else (1, 0):
            sent_s[number] = time.monotonic()
            await ways[number][0].send(line)
        for number, seen in enumerate(arrived):
            async with asyncio.timeout(PATIENCE_S):
                took_ms[number].append(1_000 * (await seen[i] - sent_s[number]))
        landings.add(str((await station.state())["landing"]))
    for task in listening:
        task.cancel()
    ours, bare = ((statistics.median(times), _p99(times)) for times in took_ms)
    return {
        "packets": packets,
        "landings": len(landings),
        "median_ms": ours[0],
        "p99_ms": ours[1],
        "relay_median_ms": bare[0],
        "relay_p99_ms": bare[1],
        "beyond_median_ms": ours[0] - bare[0],
        "beyond_p99_ms": ours[1] - bare[1],
    }


def _p99(times: list[float]) -> float:
    return sorted(times)[int(0.99 * len(times))]


async def _note(socket: ClientConnection, seen: list[asyncio.Future[float]]) -> None:
    """When each mark was first in a message."""
    async for message in socket:
        now_s = time.monotonic()
        text = message if isinstance(message, str) else message.decode(errors="replace")
        for number in _MARK.findall(text):
            if not seen[int(number)].done():
                seen[int(number)].set_result(now_s)


def _relay(pipe: Connection) -> None:
    asyncio.run(_hand_on(pipe))


async def _hand_on(pipe: Connection) -> None:
    """What comes from the port that `pipe` says, to every socket; until ended."""
    async with serve(lambda socket: socket.wait_closed(), HOST, 0) as server:
        reader, writer = await asyncio.open_connection(HOST, pipe.recv())
        pipe.send(next(iter(server.sockets)).getsockname()[1])
        frames = KissDecoder()
        while given := await reader.read(65_536):
            for frame in frames.feed(given):
                broadcast(server.connections, frame.data)
        writer.close()
