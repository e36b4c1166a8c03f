"""A long day: what a flight of ten hours costs as it grows, at 1,000, 10,000 and 100,000 receptions.

Three flights of two trackers each, 500 other senders of an internet feed, all heard through a TNC's port
and written to a journal. For each size: how long a start after a kill takes until the page shows the
whole state again (and its processor time, which other work on the machine does not lengthen), the memory
of that process, what one more packet costs it, and how many bytes a new reader gets as state and as
history.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
import orjson

from server.flight.inputs import Reception
from server.journal.database import Journal
from tests.faults.test_sources import memory_kb
from tests.flights import T0, information, position_at
from tests.seen import kinds
from tests.session.running import Running, Tnc, leeward

SIZES = (1_000, 10_000, 100_000)
FLIGHTS, OTHERS = 3, 500
_DAY_S = 36_000.0
_MORE = 1_000  # their processor time is told in steps of 10 ms
_START_S = 600.0
_ASKED_EVERY_S = 0.1  # each asking takes the station 5 ms

PLAN = """
[[sources]]
name = "tnc"
kind = "kiss-tcp"
host = "127.0.0.1"
port = {port}
"""
FLIGHT = """
[[flights]]
name = "Lark {n}"
[flights.launch]
latitude_deg = 38.35
longitude_deg = -98.2
altitude_m = 560
[[flights.trackers]]
name = "Main {n}"
callsign = "N0CALL-{main}"
[[flights.trackers]]
name = "Backup {n}"
role = "backup"
callsign = "N0CALL-{backup}"
"""


def run(packets: int = SIZES[-1]) -> list[dict[str, float]]:
    """`packets`: the greatest size."""
    return asyncio.run(_run(packets))


async def _run(most: int) -> list[dict[str, float]]:
    found = []
    with tempfile.TemporaryDirectory() as compiled:
        _compile(Path(compiled))
        for size in (size for size in SIZES if size <= most):
            with tempfile.TemporaryDirectory() as folder:
                found.append(await _of(size, Path(folder)))
    return found


def day(count: int, end_s: float) -> list[Reception]:
    """Half of the packets are trackers', half of others; all flights go up one after the other."""
    heard = []
    step_s = _DAY_S / count
    for number in range(count):
        at_s = number * step_s
        if number % 2:
            other = number // 2 % OTHERS
            place = f"38{other % 60:02d}.{number % 100:02d}N/098{other % 60:02d}.00W-"
            line = f"N0C{other // 15:02d}-{other % 15}>APRS:!{place}"
        else:
            tracker = number // 2 % (2 * FLIGHTS)
            flown_s = (at_s - tracker // 2 * 1_200.0) % _DAY_S
            line = line_of(tracker, min(max(flown_s, 0.0), 9_000.0), end_s - _DAY_S + at_s)
        heard.append(
            Reception(round((end_s - _DAY_S + at_s) * 1_000), "tnc", "tnc2", line.encode())
        )
    return heard


def line_of(tracker: int, flown_s: float, heard_s: float) -> str:
    """With the packet's own time as of its hearing."""
    said = information(heard_s - T0 - 2.0, position_at(flown_s))
    return f"N0CALL-{tracker + 1}>APZLWD:{said} {round(heard_s)}"


async def _of(size: int, folder: Path) -> dict[str, float]:
    plan = folder / "larks.toml"
    end_s = time.time()
    async with Tnc() as tnc:
        flights = (FLIGHT.format(n=n, main=2 * n + 1, backup=2 * n + 2) for n in range(FLIGHTS))
        plan.write_text("".join(flights) + PLAN.format(port=tnc.port))
        with Journal(plan.with_suffix(".sqlite3")) as journal:
            journal.append(day(size, end_s))
        began = time.perf_counter()
        async with leeward("live", str(plan), patience_s=_START_S) as station:
            first_s = time.perf_counter() - began
            await _all_read(station, size)
            restart_s = time.perf_counter() - began
            start_cpu_s = _cpu_s(station.process.pid)
            rss_mb = memory_kb(station) / 1_024.0
            async with httpx.AsyncClient(base_url=station.address, timeout=60.0) as client:
                state = (await client.get("/api/state")).content
                history = (await client.get("/api/history")).content
            cpu_s = _cpu_s(station.process.pid)
            for number in range(_MORE):
                await tnc.send(line_of(number % 6, 9_000.0, time.time() + number / 100.0).encode())
            await _all_read(station, size + _MORE)
            more_s = _cpu_s(station.process.pid) - cpu_s
    assert orjson.loads(state)["receptions"]["total"] >= size
    return {
        "receptions": size,
        "page_up_s": round(first_s, 2),
        "restart_s": round(restart_s, 2),
        "restart_cpu_s": round(start_cpu_s, 2),
        "rss_mb": round(rss_mb, 1),
        "us_per_packet": round(1e6 * more_s / _MORE),
        "state_bytes": len(state),
        "history_bytes": len(history),
    }


async def _all_read(station: Running, size: int) -> None:
    """Until the whole state holds so many receptions."""
    async with asyncio.timeout(_START_S):
        while True:
            state = await station.state()
            if state["receptions"]["total"] >= size and "journal_read" not in kinds(state):
                return
            await asyncio.sleep(_ASKED_EVERY_S)


def _compile(folder: Path) -> None:
    """As in what is installed: a start does not compile its modules, whatever the bench is run with."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(folder)
    subprocess.run(
        [sys.executable, "-c", "import server.commands.main, server.commands.wiring"], check=True
    )


def _cpu_s(pid: int) -> float:
    """Of a process and its threads: user and system time (proc(5), stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
