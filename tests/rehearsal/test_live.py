"""`leeward rehearse` in one process, `leeward live` in another, real sockets and a pty between.

Everywhere: some minutes of flight. With LEEWARD_STRICT_MACHINE=1 (as in .ci/run) also the two
busiest scenarios whole, at 40 times real time, side by side.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
import sys
from pathlib import Path
from typing import Any

import pytest

from server.rehearsal.perform import Performance, Wishes, perform
from server.rehearsal.scenario import load
from tests.machine import STRICT, require
from tests.session.running import free_port, leeward

ROOT = Path(__file__).parent.parent.parent
PATIENCE_S = 90.0
SPEED = 40.0  # passes with three times as much to do as two cores have
BUSIEST = ("two-teams", "tangled")
NEEDS = {"float": "gpsd", "tangled": "mosquitto"}


async def rehearse_and_follow(
    name: str, folder: Path, minutes: float, speed: float
) -> tuple[Performance, dict[str, Any]]:
    """Both ends for some minutes after the launch: the performance and the station's last state."""
    if name in NEEDS:
        require(NEEDS[name])
    if load(name).feed.broker:
        pytest.importorskip("aiomqtt", reason="the extra mqtt is not installed")
    said: asyncio.Queue[str] = asyncio.Queue()
    wishes = Wishes(speed, 0, folder / "plan.toml", "run", minutes * 60.0)
    playing = asyncio.ensure_future(perform(load(name), None, wishes, said.put_nowait))
    async with asyncio.timeout(PATIENCE_S):
        line = ""
        while "Start the station" not in line:
            line = await said.get()
    place = line.split()[-1]
    async with leeward(
        "live", str(folder / "plan.toml"), "--rehearsal", place, port=free_port()
    ) as station:
        async with asyncio.timeout(PATIENCE_S + minutes * 60.0 / speed):
            done = await playing
        return done, await station.state()


@pytest.mark.parametrize(
    ("name", "wires"),
    [
        ("float", {"tnc", "internet", "gps"}),  # Debian's gpsd
        ("tangled", {"tnc", "internet", "gps"}),  # Debian's mosquitto, a pty as the TNC's line
        ("two-teams", {"tnc", "internet", "gps", "modem"}),  # NMEA datagrams
        ("jet", {"tnc", "internet", "gps"}),  # NMEA and KISS, each on a pty
    ],
)
async def test_the_station_follows_through_real_ends(
    name: str, wires: set[str], tmp_path: Path
) -> None:
    done, state = await rehearse_and_follow(name, tmp_path, 6.0, 60.0)
    heard = {source["name"]: source["receptions"] for source in state["sources"]}
    assert all(heard[source] > 3 for source in wires), heard
    assert state["phase"] == "ascent"
    own = next(car for car in state["vehicles"] if car["own"])
    assert own["latitude_deg"] == pytest.approx(load(name).launch.latitude_deg, abs=0.2)
    assert (tmp_path / "plan.run.sqlite3").exists()
    (judged,) = done.judged
    assert judged.looks
    track_m = judged.verdict.summary["track error m, median"]
    assert isinstance(track_m, float)
    assert track_m < 100.0
    aims = {car.aim for car in done.stage.cars}
    assert aims != {None}, "the cars are sent where the station says that it lands"


async def test_a_phone_posts_to_the_station(tmp_path: Path) -> None:
    """From the landing on: the flight is begun where it ends, so that the test is short."""
    story = load("early-burst")
    lift = story.balloon.model_copy(update={"weak_at_m": 1_500.0})
    phone = next(t for t in story.trackers if t.format == "phone")
    early = phone.model_copy(update={"report_after_s": 20.0})
    trackers = (*(t for t in story.trackers if t.format != "phone"), early)
    story = story.model_copy(update={"balloon": lift, "trackers": trackers, "after_s": 400.0})
    said: asyncio.Queue[str] = asyncio.Queue()
    wishes = Wishes(60.0, 0, tmp_path / "plan.toml", "run")
    playing = asyncio.ensure_future(perform(story, None, wishes, said.put_nowait))
    async with asyncio.timeout(PATIENCE_S):
        line = ""
        while "Start the station" not in line:
            line = await said.get()
        arguments = ("live", str(tmp_path / "plan.toml"), "--rehearsal", line.split()[-1])
        async with leeward(*arguments, port=free_port()) as station:
            done = await playing
            state = await station.state()
    assert done.lost_posts == 0
    assert next(t for t in state["trackers"] if t["role"] == "phone")["fixes"] > 0
    assert state["phase"] == "landed"
    assert state["mode"] == "rehearsal", "nobody is to drive after a made flight"


def _deaf() -> None:
    """As a shell without job control starts what it puts in the background."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


async def test_ended_early_what_was_seen_is_judged(tmp_path: Path) -> None:
    rehearsal = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "server.commands.main",
        "rehearse",
        "calm",
        "--judge",
        "--speed",
        "60",
        "--port",
        "0",
        "--plan",
        str(tmp_path / "plan.toml"),
        stdout=asyncio.subprocess.PIPE,
        cwd=ROOT,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
        preexec_fn=_deaf,
    )
    assert rehearsal.stdout is not None
    line = b""
    async with asyncio.timeout(PATIENCE_S):
        while b"Start the station" not in line:
            line = await rehearsal.stdout.readline()
        place = line.split()[-1].decode()
        plan = str(tmp_path / "plan.toml")
        async with leeward("live", plan, "--rehearsal", place, port=free_port()) as station:
            await station.until(lambda s: s["track"] is not None and s["phase"] == "ascent")
            rehearsal.send_signal(signal.SIGINT)
            said, _ = await rehearsal.communicate()
    assert rehearsal.returncode == 0
    assert b"Ended early." in said
    assert b"minutes judged" in said
    assert (tmp_path / "plan.svg").exists()


async def test_without_a_rehearsal_the_station_says_so(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text('[flight]\nname = "x"\n[[trackers]]\nname = "M"\ncallsign = "N0CALL-11"\n')
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "server.commands.main",
        "live",
        str(plan),
        "--no-browser",
        "--rehearsal",
        f"127.0.0.1:{free_port()}",
        stderr=asyncio.subprocess.PIPE,
        cwd=ROOT,
    )
    _, words = await process.communicate()
    assert process.returncode == 2
    assert b"leeward rehearse" in words


@pytest.mark.skipif(
    os.environ.get(STRICT) != "1", reason=f"whole flights take five minutes: set {STRICT}=1"
)
async def test_the_busiest_whole_at_forty_times(tmp_path: Path) -> None:
    async def whole(name: str) -> str:
        folder = tmp_path / name
        folder.mkdir()
        base = {"two-teams": 9_700, "float": 9_730, "tangled": 9_760}[name]
        rehearsal = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "server.commands.main",
            "rehearse",
            name,
            "--judge",
            "--speed",
            str(SPEED),
            "--port",
            str(base),
            "--plan",
            str(folder / "plan.toml"),
            stdout=asyncio.subprocess.PIPE,
            cwd=ROOT,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        assert rehearsal.stdout is not None
        line = b""
        while b"Start the station" not in line:
            line = await rehearsal.stdout.readline()
            assert line, "it ended early"
        place = line.split()[-1].decode()
        async with leeward("live", str(folder / "plan.toml"), "--rehearsal", place, port=base + 25):
            said, _ = await rehearsal.communicate()
        assert rehearsal.returncode == 0
        assert (folder / "plan.svg").stat().st_size > 5_000
        return said.decode()

    async with asyncio.timeout(1_500.0):
        tables = await asyncio.gather(*(whole(name) for name in BUSIEST))
    for name, text in zip(BUSIEST, tables, strict=True):
        figures = {
            found[1]: float(found[2].replace(",", ""))
            for found in re.finditer(r"^  (\S.*?)  +(-?[\d,.]+)$", text, re.MULTILINE)
        }
        assert figures["minutes judged"] > 120, name
        assert figures["track error m, median"] < 60.0, name
        assert figures["phase shown as it was, share"] > 0.9, name
        assert figures["landing error m, at the end"] < 500.0, name
        assert re.search(r"^  burst  +[\d,]+ s$", text, re.MULTILINE), name
        assert re.search(r"^  landing  +[\d,]+ s$", text, re.MULTILINE), name
