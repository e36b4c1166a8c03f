"""`leeward live` as a process: real sockets, a real serial line, a real kill -9."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from server.flight.inputs import Tick
from server.flight.mission import Mission
from server.flight.times import parse_time
from server.journal.database import Journal
from server.plan.file import load
from tests.flights import LAUNCH, T0, information, position_at
from tests.seen import shown
from tests.session.running import Tnc, checked, kiss, leeward

PLAN = f"""
[flight]
name = "Tern test"
[launch]
latitude_deg = {LAUNCH[0]}
longitude_deg = {LAUNCH[1]}
altitude_m = {LAUNCH[2]}
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[[trackers]]
name = "Phone"
role = "phone"
source = "phone"
token = "a-long-enough-token"
[[sources]]
name = "phone"
kind = "phone"
"""
TNC = """
[[sources]]
name = "tnc"
kind = "kiss-tcp"
host = "127.0.0.1"
port = {port}
"""


def line_at(elapsed_s: float, shift_s: float) -> bytes:
    """The made flight's packet, its clock moved to now."""
    said = information(elapsed_s + shift_s, position_at(elapsed_s))
    return f"N0CALL-11>APZLWD:{said}".encode()


def shift_to_now(elapsed_s: float) -> float:
    return time.time() - T0 - elapsed_s


async def beacon(address: str, elapsed_s: float, shift_s: float) -> int:
    """Post a phone's position; the number that it was acknowledged with."""
    latitude_deg, longitude_deg, altitude_m = position_at(elapsed_s)
    body = {
        "coords": {
            "latitude": latitude_deg,
            "longitude": longitude_deg,
            "accuracy": 10,
            "altitude": altitude_m,
        },
        "timestamp": int((T0 + elapsed_s + shift_s) * 1000),
    }
    async with httpx.AsyncClient() as client:
        answer = await client.post(f"{address}/api/beacon/a-long-enough-token", json=body)
    return int(answer.raise_for_status().json()["number"])


def comparable(state: dict[str, Any]) -> dict[str, Any]:
    """What does not depend on the moment of asking."""
    keep = ("number", "phase", "events", "track", "receptions", "senders", "sensors")
    aged = ("state", "last_heard")
    trackers = [{k: v for k, v in t.items() if k not in aged} for t in state["trackers"]]
    return {k: state[k] for k in keep} | {"trackers": trackers}


async def test_kill_9_in_mid_flight_loses_nothing(tmp_path: Path) -> None:
    plan, journal = tmp_path / "tern.toml", tmp_path / "tern.sqlite3"
    acknowledged: list[int] = []
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        flown_s = 0.0
        for kill_after in (40, 33, 47):
            async with leeward("live", str(plan)) as running:
                for _ in range(kill_after):
                    await tnc.send(line_at(flown_s, shift_s))
                    acknowledged.append(await beacon(running.address, flown_s, shift_s))
                    flown_s += 15.0
                await running.kill()  # in the middle of the stream: more is on its way
        async with leeward("live", str(plan)) as running:
            await tnc.send(line_at(flown_s, shift_s))
            after = await running.until(lambda s: s["track"] and s["number"] > acknowledged[-1])
            assert await running.end() == 0
    with Journal(journal, read_only=True) as opened:
        kept = list(opened.receptions())
    numbers = {number for number, reception in kept if reception.wire == "phone"}
    assert set(acknowledged) <= numbers
    uninterrupted = Mission(load(plan).for_flight())
    for _, reception in kept:
        uninterrupted.apply(reception)
    uninterrupted.apply(Tick(parse_time(after["now"]) / 1000.0))
    wanted = shown(uninterrupted)
    assert comparable(after) == comparable(wanted)
    assert after["receptions"]["total"] == len(kept)
    assert after["phase"] == "ascent"


async def test_a_serial_line_carries_kiss_into_the_track(tmp_path: Path) -> None:
    master, slave = os.openpty()
    plan = tmp_path / "tern.toml"
    device = os.ttyname(slave)
    plan.write_text(
        PLAN
        + f'[[sources]]\nname = "tnc"\nkind = "kiss-serial"\ndevice = "{device}"\nbaud = 9600\n'
    )
    try:
        async with leeward("live", str(plan)) as running:
            await running.until(
                lambda s: any(
                    e["state"] in ("open", "quiet") for e in s["sources"] if e["name"] == "tnc"
                )
            )
            shift_s = shift_to_now(1_500.0)
            for i in range(40):
                frame = kiss(line_at(30.0 * i, shift_s))
                os.write(master, frame[:7])  # in pieces, as a serial line gives them
                os.write(master, frame[7:])
            state = await running.until(lambda s: s["phase"] == "ascent" and s["landing"])
            assert state["trackers"][0]["fixes"] == 40
            assert state["trackers"][0]["last_way"]["direct"]
            async with httpx.AsyncClient() as client:
                answer = await client.post(
                    f"{running.address}/api/acknowledge", json={"id": state["alarms"][0]["id"]}
                )
            assert answer.is_success, answer.text
        async with leeward("live", str(plan)) as again:
            state = await again.until(lambda s: s["alarms"])
            assert state["alarms"][0]["acknowledged"]
            assert state["trackers"][0]["fixes"] == 40
    finally:
        os.close(master)
        os.close(slave)


async def test_check_says_what_is_wrong(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    async with Tnc() as tnc:
        absent = '[[sources]]\nname = "usb"\nkind = "kiss-serial"\ndevice = "/dev/absent-tnc"\n'
        plan.write_text(PLAN + TNC.format(port=tnc.port) + absent)
        returned, words = await checked(plan, 1.0)
    assert returned == 1
    assert "ok   tnc: " in words
    assert "FAIL usb: " in words
    assert "/dev/absent-tnc" in words


@pytest.mark.parametrize("command", ["live", "check"])
async def test_a_wrong_plan_is_told_before_anything_starts(tmp_path: Path, command: str) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(PLAN.replace("altitude_m", "altitude_ft"))

    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "server.commands.main",
        command,
        str(plan),
        stderr=asyncio.subprocess.PIPE,
        cwd=Path(__file__).parent.parent.parent,
    )
    _, errors = await process.communicate()
    assert process.returncode == 2
    assert "line 7: launch.altitude_ft: unknown key" in errors.decode()
    assert not plan.with_suffix(".sqlite3").exists()
