"""How many can look on: clients of one station against latency, memory and processor time.

A station with a flight of 3,000 fixes gets a packet every 0.2 s; clients in a process of their own note when
each update reaches them. Both processes read the same steady clock. `--seconds` is how long each number of
clients is held.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import multiprocessing
import os
import resource
import statistics
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from typing import Any

import orjson
from websockets.asyncio.client import connect

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, TrackerPlan
from server.flight.mission import Mission
from server.journal.database import Journal
from server.screen.app import create_app
from server.screen.hub import Hub
from server.screen.messages import Resume
from server.session.side_tasks import SideTask
from server.session.slices import look_for_new_garbage
from server.session.station import Station
from tests.flights import LAUNCH, T0, packet
from tests.screen.serving import HOST, serving, until

CLIENTS = (1, 10, 100, 300, 1_000)
UPDATES_PER_S = 5.0
FIXES = 3_000
SPECTATORS = 10_000
NEW = json.dumps({"kind": "resume", "session": None, "sequence": None})


def run(seconds: float = 20.0) -> dict[str, Any]:
    by_clients = {}
    for clients in CLIENTS:
        by_clients[f"{clients:,} clients"] = measure(clients, seconds)
    sizes = asyncio.run(_sizes())
    return {"held": by_clients, "sizes": sizes, "spectators": _worked_out(by_clients, sizes)}


def measure(clients: int, seconds: float) -> dict[str, float]:
    return held(clients, seconds)[0]


def held(clients: int, seconds: float) -> tuple[dict[str, float], list[str]]:
    """The figures, and the updates that were sent meanwhile."""
    ours, theirs = multiprocessing.Pipe()
    context = multiprocessing.get_context("spawn")
    server = context.Process(target=_serve, args=(theirs,))
    server.start()
    port = ours.recv()
    with no_search_for_garbage():
        got = asyncio.run(_watch(port, clients, seconds))
    ours.send("end")
    told = ours.recv()
    server.join()
    sent_s: dict[int, float] = told["sent_s"]
    delays_s = sorted(at_s - sent_s[n] for n, at_s in got if n in sent_s)
    delivered = len(delays_s)
    expected = sum(1 for n in sent_s if got and min(got)[0] <= n <= max(got)[0]) * clients
    figures = {
        "updates_per_s": delivered / clients / seconds,
        "median_ms": 1_000 * statistics.median(delays_s),
        "p99_ms": 1_000 * delays_s[int(0.99 * delivered)],
        "memory_mb": told["memory_mb"],
        "cpu_share": told["cpu_s"] / told["wall_s"],
        "missed": max(expected - delivered, 0),
    }
    numbers = {n for n, _ in got}
    return figures, [told["messages"][n] for n in sorted(numbers & set(sent_s))]


def _serve(pipe: Connection) -> None:
    """The station's process: packets come, updates go out, and when each went is noted."""
    asyncio.run(_station(pipe))


async def _station(pipe: Connection) -> None:
    plan = Plan(
        flights=(
            FlightPlan(
                name="fan out",
                launch=LaunchPlan(*LAUNCH),
                trackers=(TrackerPlan("Main", "N0CALL-11"),),
            ),
        )
    )
    flight = Mission(plan)
    flight.receive([packet(float(i)) for i in range(FIXES)])
    now_s = [T0 + FIXES]
    station = Station(flight, Journal(":memory:"), (), lambda: now_s[0])
    app = create_app(station)
    hub: Hub = app.state.hub
    sent_s: dict[int, float] = {}
    messages: dict[int, str] = {}
    send_all = hub.send_all

    def noting(message: str) -> None:
        sent_s.setdefault(hub.sequence, time.monotonic())
        messages.setdefault(hub.sequence, message)
        send_all(message)

    hub.send_all = noting  # type: ignore[method-assign]

    async def fly() -> None:
        while True:
            now_s[0] += 1.0
            station.deliver(packet(now_s[0] - T0))
            await asyncio.sleep(1.0 / UPDATES_PER_S)

    look_for_new_garbage()  # as the wiring of a real one does
    async with serving(app) as port:
        running = asyncio.ensure_future(station.run(SideTask("The flight", fly)))
        pipe.send(port)
        began_s, used_s = time.monotonic(), _cpu_s()
        await until(pipe.poll, patience_s=3_600.0)
        pipe.recv()
        pipe.send(
            {
                "sent_s": sent_s,
                "messages": messages,
                "memory_mb": _memory_mb(),
                "cpu_s": _cpu_s() - used_s,
                "wall_s": time.monotonic() - began_s,
            }
        )
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        station.close()


@contextlib.contextmanager
def no_search_for_garbage() -> Iterator[None]:
    """For who reads as a thousand: each page is a program of its own, and none stops them all for 80 ms."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


async def _watch(port: int, clients: int, seconds: float) -> list[tuple[int, float]]:
    """Sequence and moment of every update that reached a client."""
    got: list[tuple[int, float]] = []
    ready = 0

    async def one() -> None:
        nonlocal ready
        async with connect(f"ws://{HOST}:{port}/ws", max_size=None, compression=None) as socket:
            await socket.send(NEW)
            await socket.recv()
            ready += 1
            async for text in socket:
                at_s = time.monotonic()
                head = str(text)[:120]  # the kind, session and sequence stand first
                if holding and '"update"' in head:
                    got.append((int(head.split('"sequence":')[1].split(",")[0]), at_s))

    holding = False
    tasks = []
    for _ in range(clients):
        tasks.append(asyncio.ensure_future(one()))
        if len(tasks) % 20 == 0:
            await asyncio.sleep(0.1)
    await until(lambda: ready == clients, patience_s=120.0)
    await asyncio.sleep(1.0)
    holding = True
    await asyncio.sleep(seconds)
    holding = False
    await asyncio.sleep(0.5)
    for task in tasks:
        task.cancel()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(10.0):
            await asyncio.gather(*tasks, return_exceptions=True)
    return got


async def _sizes() -> dict[str, float]:
    """Bytes of a snapshot and of updates, as browsers get them."""
    plan = Plan(
        flights=(
            FlightPlan(launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", "N0CALL-11"),)),
        )
    )
    flight = Mission(plan)
    flight.receive([packet(float(i)) for i in range(FIXES)])
    station = Station(flight, Journal(":memory:"), (), lambda: T0 + FIXES)
    hub = Hub(station)
    client = hub.join(Resume(kind="resume"))
    snapshot = client.messages.get_nowait()
    updates = []
    for i in range(50):
        flight.receive([packet(float(FIXES + i))])
        station.settle_landing()
        hub.publish()
        updates.append(len(client.messages.get_nowait()))
    beats = len(orjson.dumps({"kind": "beat"}))
    station.close()
    return {
        "snapshot_kb": len(snapshot) / 1_000,
        "update_bytes_median": statistics.median(updates),
        "update_bytes_largest": max(updates),
        "fixes": FIXES,
        "beat_bytes": beats,
    }


def _worked_out(held: dict[str, Any], sizes: dict[str, float]) -> dict[str, float]:
    """What 10,000 spectators would cost, from the most clients that were measured."""
    most = held[f"{CLIENTS[-1]:,} clients"]
    few = held[f"{CLIENTS[0]:,} clients"]
    cpu_each = (most["cpu_share"] - few["cpu_share"]) / (CLIENTS[-1] - CLIENTS[0])
    memory_each = (most["memory_mb"] - few["memory_mb"]) / (CLIENTS[-1] - CLIENTS[0])
    per_server = 0.7 * (1.0 - few["cpu_share"]) / cpu_each  # a third of a core is left free
    return {
        "spectators": SPECTATORS,
        "cpu_of_one_client_percent": 100 * cpu_each,
        "memory_of_one_client_kb": 1_024 * memory_each,
        "clients_per_core": per_server,
        "cores": SPECTATORS / per_server,
        "megabit_per_s": SPECTATORS * UPDATES_PER_S * sizes["update_bytes_median"] * 8 / 1e6,
    }


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _memory_mb() -> float:
    with open(f"/proc/{os.getpid()}/status") as status:  # noqa: PTH123
        line = next(line for line in status if line.startswith("VmRSS:"))
    return int(line.split()[1]) / 1_024
