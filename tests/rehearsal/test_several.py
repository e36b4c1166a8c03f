"""Three boxes at once, over real sockets, followed by two stations that each hear half."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from server.flight.inputs import Tick
from server.flight.mission import Mission
from server.flight.mission_state import State
from server.flight.view.snapshot import snapshot
from server.journal.database import Journal
from server.plan.file import load as load_plan
from server.rehearsal.perform import Wishes, perform
from server.rehearsal.scenario import load
from tests.session.running import free_port, leeward
from tests.three_boxes import NAMES

PATIENCE_S = 120.0
SPEED, MINUTES = 60.0, 55.0  # the last box is then a quarter of an hour up
KEY = "three-boxes-two-cars"


def _without(text: str, *sources: str) -> str:
    """The plan without these sources."""
    sections = re.split(r"(?m)^(?=\[)", text)
    gone = [f'name = "{name}"\n' for name in sources]
    kept = [s for s in sections if not (s.startswith("[[sources]]") and any(g in s for g in gone))]
    return "".join(kept)


def _plans(text: str, folder: Path, port: int) -> tuple[Path, Path]:
    """One laptop with the radio and the car's receiver, one with the internet alone."""
    station = '\n[station]\nname = "{}"\n[[peers]]\nname = "{}"\nkey = "{}"\n'
    radio, desk = folder / "car-1.toml", folder / "desk.toml"
    radio.write_text(_without(text, "internet") + station.format("car-1", "desk", KEY))
    far = _without(text, "tnc", "gps").replace('source = "gps"', 'source = "car-1/gps"')
    desk.write_text(far + station.format("desk", "car-1", KEY) + f'address = "127.0.0.1:{port}"\n')
    return radio, desk


def _state(plan: Path) -> tuple[State, int]:
    """What follows from a station's journal, but for its name and its own clock's reading."""
    with Journal(plan.with_suffix(".run.sqlite3"), read_only=True) as journal:
        receptions = [reception for _, reception in journal.receptions()]
        commands = [command for _, command in journal.commands()]
    mission = Mission(load_plan(plan).for_flight())
    mission.receive(receptions)
    mission.book(commands)
    mission.apply(Tick(max(reception.heard_at_s for reception in receptions)))
    return snapshot(mission), len(receptions)


async def test_two_stations_that_each_hear_half_agree_on_all_three(tmp_path: Path) -> None:
    said: asyncio.Queue[str] = asyncio.Queue()
    wishes = Wishes(SPEED, 0, tmp_path / "plan.toml", "run", MINUTES * 60.0)
    playing = asyncio.ensure_future(perform(load("three-boxes"), None, wishes, said.put_nowait))
    async with asyncio.timeout(PATIENCE_S):
        line = ""
        while "Start the station" not in line:
            line = await said.get()
    follow = ("--rehearsal", line.split()[-1])
    ports = free_port(), free_port()
    radio, desk = _plans((tmp_path / "plan.toml").read_text(), tmp_path, ports[0])
    async with (
        leeward("live", str(radio), *follow, port=ports[0]) as first,
        leeward("live", str(desk), *follow, port=ports[1]) as second,
    ):
        async with asyncio.timeout(PATIENCE_S + MINUTES * 60.0 / SPEED):
            done = await playing
        most = (await first.state())["receptions"]["total"]
        await second.until(lambda s: s["receptions"]["total"] >= most)
        own = {s["name"]: s["receptions"] for s in (await second.state())["sources"]}
        assert own["internet"] > 100
        assert most > own["internet"] + 100, "each has heard what the other has not"
        assert await second.end() == 0
        assert await first.end() == 0
    (here, count), (there, other) = _state(radio), _state(desk)
    assert count == other
    assert here.flights == there.flights
    assert here.vehicles == there.vehicles
    assert [flight.name for flight in here.flights] == list(NAMES)
    assert {flight.phase for flight in here.flights} == {"ascent"}
    assert len(done.judged) == 3
    for one in done.judged:
        off_m = one.verdict.summary["track error m, median"]
        assert isinstance(off_m, float)
        assert off_m < 100.0, one.ours.flight
