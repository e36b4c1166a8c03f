"""Spectators without end: how old is the state that each of ten thousand sees, and does the station notice?

A real `leeward live` with three flights that come down (a TNC that sends a packet a second), Debian's nginx
with the micro-cache of the room's README in front, and pollers of which each asks every four seconds over a
connection of its own, in processes of their own that yield to the station: they stand for other machines.
The age is that of the answer by its Last-Modified, in whole seconds. A crew's socket is open all the while.
`--packets` is how many poll, `--seconds` how long.
The second figure: how late 1,000 sockets of one station get an update, against `websockets.broadcast` of
the same bytes in the same run.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import multiprocessing
import os
import resource
import statistics
import tempfile
import time
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from websockets.asyncio.client import connect
from websockets.asyncio.server import ServerConnection, broadcast, serve
from websockets.exceptions import ConnectionClosed

from server.journal.database import Journal
from tests.bench.fanout import held, no_search_for_garbage
from tests.bench.growth import FLIGHT, FLIGHTS, PLAN, day, line_of
from tests.screen.test_watching import micro_cache
from tests.session.running import Tnc, free_port, leeward

SPECTATORS, EVERY_S = 10_000, 4.0
_PROCESSES = 2
_YIELDS = 10  # of nice(2): the crowd has machines of its own, and is not to hold this one's station
_NEW = json.dumps({"kind": "resume", "session": None, "sequence": None})
SOCKETS, SOCKET_S = 1_000, 30.0


def run(packets: int = SPECTATORS, seconds: float = 300.0) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        polled = asyncio.run(_polled(Path(folder), packets, seconds))
    return {"n": packets, **polled, "sockets_p99_over_broadcast": round(_over_broadcast(), 2)}


async def _polled(folder: Path, count: int, seconds: float) -> dict[str, Any]:
    plan = folder / "larks.toml"
    async with contextlib.AsyncExitStack() as stack:
        tnc = await stack.enter_async_context(Tnc())
        flights = (FLIGHT.format(n=n, main=2 * n + 1, backup=2 * n + 2) for n in range(FLIGHTS))
        plan.write_text("".join(flights) + PLAN.format(port=tnc.port))
        with Journal(plan.with_suffix(".sqlite3")) as journal:
            journal.append(day(1_000, time.time()))
        station = await stack.enter_async_context(leeward("live", str(plan), patience_s=300.0))
        port = stack.enter_context(micro_cache(int(station.address.rpartition(":")[2]), folder))
        async with httpx.AsyncClient(base_url=station.address) as client:
            path = (await client.get("/api/me")).json()["watch"] + "/state"
        crew = asyncio.create_task(_crew(station.address))
        ticking = asyncio.create_task(_packets(tnc))
        spawn = multiprocessing.get_context("spawn")
        ends = []
        for _ in range(_PROCESSES):
            mine, theirs = spawn.Pipe()
            process = spawn.Process(
                target=_pollers, args=(theirs, port, path, count // _PROCESSES, seconds)
            )
            process.start()
            ends.append((mine, process))
        ages: list[float] = []
        failed = 0
        for mine, process in ends:
            found, wrong = await asyncio.to_thread(mine.recv)
            ages += found
            failed += wrong
            await asyncio.to_thread(process.join)
        ticking.cancel()
        beats_ms, dropped = crew.result() if crew.done() else (max(_held, default=0.0), 0)
        crew.cancel()
        await asyncio.gather(ticking, crew, return_exceptions=True)
    return {
        "polls": len(ages),
        "polls_failed": failed,
        "state_age_p50_s": float(np.quantile(ages, 0.5)),
        "state_age_p99_s": float(np.quantile(ages, 0.99)),
        "loop_held_max_ms": round(beats_ms, 1),
        "asked_late_max_ms": round(max(_own_late, default=0.0), 1),
        "crew_dropped": dropped,
    }


_held: list[float] = []  # ms later than usual that answers came, as a page of the crew sees it
_own_late: list[float] = []  # ms that the asking itself came late: what the machine took


async def _crew(address: str) -> tuple[float, int]:
    """A crew's page: its socket, and a small answer asked ten times a second."""
    async with (
        connect(address.replace("http", "ws") + "/ws", max_size=None) as socket,
        httpx.AsyncClient(base_url=address) as client,
    ):
        await socket.send(_NEW)
        reading = asyncio.create_task(_read(socket))
        usual = []
        while not reading.done():
            began = time.perf_counter()
            await client.get("/healthz")
            took_ms = 1_000.0 * (time.perf_counter() - began)
            usual.append(took_ms)
            _held.append(max(took_ms - statistics.median(usual[-200:]), 0.0))
            began = time.perf_counter()
            await asyncio.sleep(0.1)
            _own_late.append(1_000.0 * (time.perf_counter() - began - 0.1))
    return max(_held), 1


async def _read(socket: Any) -> None:
    with contextlib.suppress(ConnectionClosed):
        async for _ in socket:
            pass


async def _packets(tnc: Tnc) -> None:
    number = 0
    while True:
        await tnc.send(line_of(number % 6, 6_000.0 + number, time.time()).encode())
        number += 1
        await asyncio.sleep(1.0)


def _pollers(told: Any, port: int, path: str, count: int, seconds: float) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(max(soft, 2 * count), hard), hard))
    os.nice(_YIELDS)
    told.send(asyncio.run(_poll_all(port, path, count, seconds)))


async def _poll_all(port: int, path: str, count: int, seconds: float) -> tuple[list[float], int]:
    ages: list[float] = []
    failed = [0]
    until_s = time.monotonic() + seconds
    asked = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: gzip\r\n\r\n".encode()

    async def one(number: int) -> None:
        await asyncio.sleep(EVERY_S * number / count)
        writer: asyncio.StreamWriter | None = None
        while time.monotonic() < until_s:
            began = time.monotonic()
            try:
                if writer is None:
                    reader, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(asked)
                head = await reader.readuntil(b"\r\n\r\n")
                fields = {
                    name.strip().lower(): value.strip()
                    for name, _, value in (line.partition(b":") for line in head.split(b"\r\n"))
                }
                await reader.readexactly(int(fields[b"content-length"]))
                made = parsedate_to_datetime(fields[b"last-modified"].decode())
                ages.append(time.time() - made.timestamp())
            except (OSError, KeyError, asyncio.IncompleteReadError):
                failed[0] += 1
                writer = None
            await asyncio.sleep(max(EVERY_S - (time.monotonic() - began), 0.0))

    await asyncio.gather(*(one(number) for number in range(count)))
    return ages, failed[0]


def _over_broadcast() -> float:
    """99 % of how late an update comes to 1,000 sockets, against `broadcast` alone: a process each side."""
    figures, messages = held(SOCKETS, SOCKET_S)
    ours, theirs = multiprocessing.Pipe()
    server = multiprocessing.get_context("spawn").Process(target=_relay, args=(theirs, messages))
    server.start()
    with no_search_for_garbage():
        plain_ms = asyncio.run(_listen(ours.recv(), SOCKETS, len(messages)))
    server.join()
    return figures["p99_ms"] / plain_ms


def _relay(pipe: Any, messages: list[str]) -> None:
    asyncio.run(_send_all(pipe, messages))


async def _send_all(pipe: Any, messages: list[str]) -> None:
    joined: set[ServerConnection] = set()
    complete = asyncio.Event()

    async def hold(socket: ServerConnection) -> None:
        joined.add(socket)
        if len(joined) == SOCKETS:
            complete.set()
        await socket.wait_closed()

    port = free_port()
    async with serve(hold, "127.0.0.1", port, compression=None, ping_interval=None):
        pipe.send(port)
        await complete.wait()
        for message in messages:
            broadcast(joined, f"{time.monotonic()} {message}")
            await asyncio.sleep(0.2)


async def _listen(port: int, count: int, messages: int) -> float:
    late: list[float] = []

    async def reader() -> None:
        async with connect(
            f"ws://127.0.0.1:{port}", compression=None, ping_interval=None
        ) as socket:
            for _ in range(messages):
                sent_s = float(str(await socket.recv()).partition(" ")[0])
                late.append(1_000.0 * (time.monotonic() - sent_s))

    await asyncio.gather(*(reader() for _ in range(count)))
    return float(np.quantile(late, 0.99))
