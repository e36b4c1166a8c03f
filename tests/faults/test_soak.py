"""Eight hours on the screen, compressed through a replay: nothing is missed, nothing piles up."""

from __future__ import annotations

import asyncio
import itertools
import json
import re
from functools import partial
from pathlib import Path

from websockets.asyncio.client import connect

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan, VehiclePlan
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.session.replay import Replay, state_at
from tests.faults.rounds import rounds
from tests.flights import LAUNCH, T0, packet
from tests.screen.serving import HOST, sent_beyond, serving, until
from tests.screen.test_socket import NEW
from tests.seen import seen

HOURS = 8
PLAN = Plan(
    flights=(
        FlightPlan(
            name="a long day",
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan("Main", "N0CALL-11"),
                TrackerPlan("Backup", "N0CALL-12", role="backup"),
            ),
        ),
    ),
    vehicles=(VehiclePlan("Car 1", source="gps", own=True),),
)
MOST_GROWTH_KB = 60_000  # what an hour of such a flight may add


def a_long_day() -> list[Reception]:
    """Two trackers, a car that reports every 10 s, and a neighbour now and then."""
    heard = []
    for t in range(0, HOURS * 3_600, 10):
        if t % 30 == 0:
            heard.append(packet(float(t), "N0CALL-11"))
        if t % 60 == 20:
            heard.append(packet(float(t), "N0CALL-12"))
        if t % 120 == 40:
            heard.append(packet(float(t), f"N0CALL-{1 + t // 120 % 9}", (38.0, -98.0, 500.0)))
        tpv = {"class": "TPV", "mode": 3, "lat": 38.3 + 1e-6 * t, "lon": -98.2, "alt": 560.0}
        heard.append(Reception(round(1_000 * (T0 + t)), "gps", "gpsd", json.dumps(tpv).encode()))
    return heard


def memory_kb() -> int:
    found = re.search(r"VmRSS:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1])


async def test_eight_hours_through_a_replay() -> None:
    receptions = a_long_day()
    step_s = 60.0 / rounds(2)
    passed = [0.0]
    player = Replay(receptions, PLAN, name="soak", speed=1.0, clock=lambda: passed[0])
    app = create_app(player, settings=ScreenSettings(updates_per_s=1_000, beat_s=5.0))
    hub = app.state.hub
    last: asyncio.Future[int] = asyncio.get_running_loop().create_future()

    async def follow(port: int) -> list[int]:
        got: list[int] = []
        async with connect(f"ws://{HOST}:{port}/ws", max_size=None) as socket:
            await socket.send(NEW)
            async for text in socket:
                message = json.loads(text)
                if message["kind"] != "beat":
                    got.append(message["sequence"])
                if last.done() and message["sequence"] >= last.result():
                    return got
        return got

    async with serving(app) as port:
        player.advance()
        readers = [asyncio.ensure_future(follow(port)) for _ in range(3)]
        await until(lambda: hub.clients == 3)
        memory = []
        while player.position_s < player.end_s:
            before = hub.sequence
            passed[0] += step_s
            player.advance()
            await until(partial(sent_beyond, hub, before))
            if passed[0] % 3_600.0 < step_s:
                memory.append(memory_kb())
        last.set_result(hub.sequence)
        player.notify()
        async with asyncio.timeout(60.0):
            got = await asyncio.gather(*readers)
    player.settle_landing()
    shown, wanted = seen(player.state()), seen(state_at(receptions, PLAN, None))
    for section in ("phase", "events", "track", "trackers", "vehicles", "senders", "receptions"):
        assert shown[section] == wanted[section]
    assert wanted["phase"] == "landed"
    for sequences in got:
        assert sequences == list(range(sequences[0], sequences[-1] + 1)), "no update was missed"
    assert max(b - a for a, b in itertools.pairwise(memory[2:])) < MOST_GROWTH_KB
    player.close()
