"""Flight time for a station under rehearsal: at 20 times real time its clock must run so too.

The rehearsal listens; a station that is started with `--rehearsal HOST:PORT` connects, says its web
address in one line of JSON, and is told the time of the flight, the speed and the name of the run.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable
from dataclasses import dataclass

PATIENCE_S = 10.0
LINE_BYTES = 4_096


class ClockError(Exception):
    """No rehearsal's clock there; the message says what was tried."""


@dataclass(frozen=True, slots=True)
class FlightClock:
    """Seconds since 1970 of the flight: call it. `run` names this run of the rehearsal."""

    run: str
    origin_s: float
    speed: float
    since: float  # monotonic seconds at `origin_s`
    monotonic: Callable[[], float] = time.monotonic

    def __call__(self) -> float:
        return self.origin_s + (self.monotonic() - self.since) * self.speed


async def follow(place: str, address: str) -> FlightClock:
    """Connect to the rehearsal at "HOST:PORT" and tell it where the station's screen is.

    ClockError: nobody there, or an answer that is no clock.
    """
    host, _, port = place.rpartition(":")
    if not port.isdigit():
        raise ClockError(f"--rehearsal: HOST:PORT expected, not {place!r}")
    try:
        async with asyncio.timeout(PATIENCE_S):
            reader, writer = await asyncio.open_connection(
                host.strip("[]") or "127.0.0.1", int(port)
            )
            writer.write(json.dumps({"station": address}).encode() + b"\n")
            answer = json.loads(await reader.readline())
            writer.close()
        return FlightClock(
            str(answer["run"]), float(answer["flight_s"]), float(answer["speed"]), time.monotonic()
        )
    except (OSError, TimeoutError) as error:
        raise ClockError(
            f"--rehearsal {place}: no rehearsal answers there ({error or 'no answer in time'});"
            " start `leeward rehearse SCENARIO` first"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise ClockError(f"--rehearsal {place}: that is not a rehearsal's clock") from error


class ClockServer:
    """The rehearsal's side. It stands at `start_s` until the first station has come."""

    def __init__(self, start_s: float, speed: float, run: str) -> None:
        self.speed = speed
        self._start_s, self._run = start_s, run
        self._began: float | None = None
        self._came = asyncio.Event()
        self._server: asyncio.Server | None = None
        self.station: str | None = None  # web address of the last station that came

    async def open(self, port: int) -> int:
        """Listen on loopback; the port (a free one for 0)."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    async def first_station(self) -> None:
        """Wait for it."""
        await self._came.wait()

    def now_s(self) -> float:
        if self._began is None:
            return self._start_s
        return self._start_s + (time.monotonic() - self._began) * self.speed

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, TimeoutError, ValueError, KeyError, TypeError):
            async with asyncio.timeout(PATIENCE_S):
                asked = json.loads((await reader.read(LINE_BYTES)).split(b"\n")[0])
            address = str(asked["station"])
            if not address.startswith("http://"):
                raise ValueError("a web address of the station was expected")
            self.station = address
            if self._began is None:
                self._began = time.monotonic()
            answer = {"run": self._run, "flight_s": self.now_s(), "speed": self.speed}
            writer.write(json.dumps(answer).encode() + b"\n")
            await writer.drain()
            self._came.set()
        writer.close()
