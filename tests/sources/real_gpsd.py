"""A real gpsd (Debian's), fed by its own fake receiver with an invented drive."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from decoders import nmea
from decoders.reports import PositionReport
from tests.machine import require

START_S = 1_781_524_800.0  # 2026-06-15T12:00:00Z


def drive(
    count: int,
    start_s: float = START_S,
    latitude_deg: float = 46.8,
    longitude_deg: float = -100.8,
) -> bytes:
    """NMEA of a car that drives north, one fix a second."""
    lines = []
    for i in range(count):
        fix = PositionReport(
            "car",
            latitude_deg + 1e-4 * i,
            longitude_deg,
            time_s=start_s + i,
            altitude_m=520.0,
            course_deg=0.0,
            speed_ms=11.1,
        )
        lines += [nmea.encode_gga(fix), nmea.encode_rmc(fix)]
    return b"\r\n".join(lines) + b"\r\n"


@asynccontextmanager
async def real_gpsd(*logs: Path) -> AsyncIterator[int]:
    """gpsd playing NMEA logs over and over, each as a receiver; gives its port on loopback."""
    require("gpsd")
    gpsfake = require("gpsfake")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    process = await asyncio.create_subprocess_exec(
        gpsfake,
        *("-q", "-c", "0.05", *(["-t"] if len(logs) == 1 else []), "-P", str(port)),
        *map(str, logs),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        yield port
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()
