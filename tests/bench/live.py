"""The live path of a real `leeward live`: packet in at the TNC's port to message out at a websocket, load,
restart, and a late car's catching up. `--seconds` is how long 200 packets a second are held: 600 for all.
"""

from __future__ import annotations

import asyncio
import json
import re
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from websockets.asyncio.client import connect

from server.flight.inputs import Command, Reception
from server.journal.database import Journal
from server.journal.recording import DEMO_LOG, read_recording
from server.sync.peers import Peer
from tests.faults.test_sources import memory_kb
from tests.flights import T0, information, position_at
from tests.session.running import Running, Tnc, leeward
from tests.session.test_live import PLAN, TNC, shift_to_now
from tests.sync.cars import Car, address
from tests.sync.made import KEY, calling_all, contents, ledger, running
from tests.sync.poor_link import PoorLink

LATENCY_PACKETS = 200
FLOOD_PACKETS = 5_000
RESTART_RECEPTIONS = 10_000
HELD_PACKETS_PER_S = 200
NEIGHBOURS = 300  # other stations of an internet feed
NEW = json.dumps({"kind": "resume", "session": None, "sequence": None})
_MARK = re.compile(r"mark(\d+)z")


def run(seconds: float = 60.0) -> dict[str, Any]:
    return asyncio.run(_run(seconds))


async def _run(seconds: float) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        return {
            "latency": await _latency(Path(folder)),
            "flood": await _flood(Path(folder)),
            "held": await _held(Path(folder), seconds),
            "restart": await _restart(Path(folder)),
            "catch_up_at_256_kbit_s": {
                "demo_flight": await _catch_up(_demo()),
                "with_gps_every_second": await _catch_up(_demo(gps_every_s=1)),
            },
        }


def _line(elapsed_s: float, shift_s: float, more: str = "", sender: str = "N0CALL-11") -> bytes:
    said = information(elapsed_s + shift_s, position_at(elapsed_s))
    return f"{sender}>APZLWD:{said}{more}".encode()


def _plan(folder: Path, name: str, tnc: Tnc) -> Path:
    plan = folder / f"{name}.toml"
    plan.write_text(PLAN + TNC.format(port=tnc.port))
    return plan


async def _latency(folder: Path) -> dict[str, float]:
    """One packet at a time, at moments that have nothing to do with the station's own beat."""
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc, leeward("live", str(_plan(folder, "latency", tnc))) as running_:
        url = running_.address.replace("http", "ws") + "/ws"
        taken_s = []
        async with connect(url, max_size=None) as socket:
            await socket.send(NEW)
            for i in range(LATENCY_PACKETS):
                await asyncio.sleep(0.05 + 0.2 * (i * 0.618 % 1.0))
                sent_s = time.monotonic()
                await tnc.send(_line(10.0 * i, shift_s, f"mark{i}z"))
                async for text in socket:
                    if f"mark{i}z" in str(text):
                        break
                taken_s.append(time.monotonic() - sent_s)
    return {
        "median_ms": 1_000 * statistics.median(taken_s),
        "p99_ms": 1_000 * sorted(taken_s)[int(0.99 * len(taken_s))],
        "packets": len(taken_s),
    }


async def _flood(folder: Path) -> dict[str, float]:
    """As many as the station takes: a TNC with a backlog of a whole flight."""
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc, leeward("live", str(_plan(folder, "flood", tnc))) as station:
        began_s = time.monotonic()
        for i in range(FLOOD_PACKETS):
            await tnc.send(_line(2.0 * i, shift_s))
        await station.until(lambda s: s["number"] >= FLOOD_PACKETS, within_s=300.0)
        return {"packets_per_s": FLOOD_PACKETS / (time.monotonic() - began_s)}


async def _held(folder: Path, seconds: float) -> dict[str, float]:
    """A busy internet feed: the payload's packets among those of hundreds of neighbours."""
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc, leeward("live", str(_plan(folder, "held", tnc))) as station:
        first_kb = 0
        began_s = time.monotonic()
        sent, half_kb = 0, 0
        late_s: list[float] = []
        while sent < seconds * HELD_PACKETS_PER_S:
            due = int((time.monotonic() - began_s) * HELD_PACKETS_PER_S)
            for _ in range(max(due - sent, 0)):
                sender = "N0CALL-11" if sent % 100 == 0 else f"N0C{sent % NEIGHBOURS:03d}"
                await tnc.send(_line(0.5 * (sent // 100), shift_s, f"mark{sent}z", sender))
                sent += 1
            if not first_kb and sent > HELD_PACKETS_PER_S * 5:
                first_kb = memory_kb(station)
            if not half_kb and sent > seconds * HELD_PACKETS_PER_S / 2:
                half_kb = memory_kb(station)
            if sent // (HELD_PACKETS_PER_S * 5) > len(late_s):
                late_s.append(await _lag_s(station, sent))
            await asyncio.sleep(0.01)
        await station.until(lambda s: s["number"] >= sent, within_s=120.0)
        last_kb = memory_kb(station)
    return {
        "packets": sent,
        "packets_per_s": HELD_PACKETS_PER_S,
        "memory_start_mb": first_kb / 1_024,
        "memory_half_mb": half_kb / 1_024,
        "memory_end_mb": last_kb / 1_024,
        "bytes_per_packet": 1_024 * (last_kb - half_kb) / (sent / 2),
        "state_behind_median_s": statistics.median(late_s),
        "state_behind_worst_s": max(late_s),
    }


async def _lag_s(station: Running, sent: int) -> float:
    """How long until a state has all that was sent so far."""
    asked_s = time.monotonic()
    await station.until(lambda s: s["number"] >= sent, within_s=120.0)
    return time.monotonic() - asked_s


async def _restart(folder: Path) -> dict[str, float]:
    """From the command to a screen that answers, and until all is read: three trackers in the journal."""
    shift_s = shift_to_now(10_000.0)
    async with Tnc() as tnc:
        plan = _plan(folder, "restart", tnc)
        with Journal(plan.with_suffix(".sqlite3")) as journal:
            journal.append(
                Reception(
                    round(1_000 * (T0 + i + shift_s + 1.5)),
                    "tnc",
                    "tnc2",
                    _line(float(i), shift_s, "", f"N0CALL-1{1 + i % 3}"),
                )
                for i in range(RESTART_RECEPTIONS)
            )
        answers_s, read_s = [], []
        for _ in range(3):
            began_s = time.monotonic()
            async with leeward("live", str(plan)) as station:
                await station.state()
                answers_s.append(time.monotonic() - began_s)
                state = await station.whole()
                read_s.append(time.monotonic() - began_s)
                assert state["number"] == RESTART_RECEPTIONS
    return {
        "receptions": RESTART_RECEPTIONS,
        "median_s": statistics.median(answers_s),
        "all_read_median_s": statistics.median(read_s),
    }


def _demo(gps_every_s: int = 5) -> list[Reception]:
    """What one car heard in a flight of three hours; its own position as often as asked."""
    found = []
    for reception in read_recording(DEMO_LOG).receptions:
        times = 5 // gps_every_s if reception.wire == "gpsd" else 1
        for i in range(times):
            later_ms = reception.heard_at_ms + 1_000 * gps_every_s * i
            payload = reception.payload
            if i:  # another second, another last digit
                payload = re.sub(
                    rb'("l(?:at|on)":-?\d+\.\d{5})\d*', rb"\g<1>%04d" % (37 * i), payload
                )
            found.append(replace(reception, heard_at_ms=later_ms, payload=payload))
    return [r if r.wire == "phone" else replace(r, source=f"car-1/{r.source}") for r in found]


async def _catch_up(heard: list[Reception]) -> dict[str, float]:
    """A car that joins late, over 256 kbit/s with 100 ms each way."""
    held = ledger("car-1")
    for start in range(0, len(heard), 3):
        held.append(heard[start : start + 3])
    base = Car(held, Peer("car-2", KEY))
    async with base.listening() as port, PoorLink(port, bits_per_s=256_000.0, delay_s=0.1) as link:
        late = Car(ledger("car-2"), Peer("car-1", KEY, address(link.port)))
        urgent = sum(r.wire not in ("gpsd", "nmea") for r in heard)
        began_s = time.monotonic()
        async with running(calling_all(late.peers)):
            await late.host.until(lambda: _urgent(late) >= urgent)
            first_s = time.monotonic() - began_s
            await late.host.until(lambda: len(late.host.admitted) == len(heard))
            all_s = time.monotonic() - began_s
        assert contents(late.ledger) == contents(held)
        return {
            "receptions": len(heard),
            "hours": (heard[-1].heard_at_s - heard[0].heard_at_s) / 3_600.0,
            "payload_s": first_s,
            "everything_s": all_s,
            "kilobytes": link.carried_bytes / 1_000.0,
        }


def _urgent(late: Car) -> int:
    own = ("gpsd", "nmea")
    return sum(isinstance(e, Command) or e.wire not in own for e in late.host.admitted)
