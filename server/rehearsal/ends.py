"""All ends of one rehearsal: what the channel brings goes out through the socket, pty or post."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import tty
from collections.abc import Callable
from typing import Any
from urllib.error import URLError
from urllib.request import Request, urlopen

from decoders.kiss import encode_frame
from decoders.reports import Wire
from server.rehearsal.broker import Broker
from server.rehearsal.network import INTERNET_SOURCE, TNC_SOURCE, Heard
from server.rehearsal.plan_text import PHONE_TOKEN
from server.rehearsal.real_gpsd import RealGpsd
from server.rehearsal.scenario import Scenario
from server.rehearsal.servers import FeedServer, GpsdServer, KissServer

log = logging.getLogger("leeward.rehearsal")

POST_PATIENCE_S = 10.0
Tell = Callable[[bytes], None]


class SerialEnd:
    """The far side of a pty: what a serial device would say. Bytes that nobody reads are lost."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.device = os.ttyname(self._slave)

    def say(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)


class Ends:
    """Opens what the scenario's feed wants; `addresses` is for the plan."""

    def __init__(self, scenario: Scenario, station: Callable[[], str | None]) -> None:
        """`station` gives the web address that phones post to, once it is known."""
        self._scenario, self._station = scenario, station
        self.addresses: dict[str, dict[str, Any]] = {}
        self._say: dict[tuple[str, Wire], Callable[[bytes, float], None]] = {}
        self._stack = contextlib.AsyncExitStack()
        self._posts: set[asyncio.Task[None]] = set()
        self.lost_posts = 0

    async def open(self, base_port: int) -> None:
        """Ports from `base_port` upwards, or free ones for 0."""
        feed = self._scenario.feed
        port = (lambda offset: base_port + offset) if base_port else (lambda _: 0)
        if feed.tnc == "kiss-tcp":
            kiss = KissServer()
            self.addresses[TNC_SOURCE] = _at(await self._opened(kiss, port(1)))
            self._say[TNC_SOURCE, "kiss"] = lambda payload, _: kiss.hear(payload)
        elif feed.tnc == "kiss-serial":
            line = self._serial()
            self.addresses[TNC_SOURCE] = {"device": line.device}
            self._say[TNC_SOURCE, "kiss"] = lambda payload, _: line.say(encode_frame(payload[1:]))
        if feed.internet:
            await self._open_internet(port(2))
        for i, car in enumerate(c for c in self._scenario.cars if c.source is not None):
            await self._open_car(car.source or "", port(3 + 10 * i))
        for i, tracker in enumerate(self._scenario.trackers):
            if tracker.format == "phone":
                self._say[tracker.source or "", "phone"] = lambda body, _: self._post(body)
            elif tracker.format == "nmea":
                self._open_udp(tracker.source or "", port(6 + 10 * i))

    async def close(self) -> None:
        for task in tuple(self._posts):
            task.cancel()
        await asyncio.gather(*self._posts, return_exceptions=True)
        await self._stack.aclose()

    def hear(self, heard: Heard) -> None:
        """Send one reception out. Never waits."""
        say = self._say.get((heard.source, heard.wire))
        if say is not None:
            say(heard.payload, heard.heard_at_ms / 1000.0)

    async def _opened(self, server: KissServer | FeedServer | GpsdServer, port: int) -> int:
        found = await server.open(port)
        self._stack.push_async_callback(server.close)
        return found

    def _serial(self) -> SerialEnd:
        line = SerialEnd()
        self._stack.callback(line.close)
        return line

    async def _open_internet(self, port: int) -> None:
        lines = FeedServer()
        self.addresses[INTERNET_SOURCE] = _at(await self._opened(lines, port))
        if self._scenario.feed.broker:
            broker = await self._stack.enter_async_context(Broker(lines.hear))
            self._say[INTERNET_SOURCE, "tnc2"] = broker.publish
        else:
            self._say[INTERNET_SOURCE, "tnc2"] = lines.hear

    async def _open_car(self, source: str, port: int) -> None:
        kind = self._scenario.feed.car
        if kind == "gpsd":
            gpsd = GpsdServer()
            self.addresses[source] = _at(await self._opened(gpsd, port))
            self._say[source, "gpsd"] = lambda line, _: gpsd.hear(line)
        elif kind == "gpsd-real":
            real = await self._stack.enter_async_context(RealGpsd(port))
            self.addresses[source] = _at(real.port)
            self._say[source, "nmea"] = lambda line, _: real.say(line + b"\r\n")
        elif kind == "nmea-serial":
            line = self._serial()
            self.addresses[source] = {"device": line.device}
            self._say[source, "nmea"] = lambda text, _: line.say(text + b"\r\n")
        elif kind == "nmea-udp":
            self._open_udp(source, port)

    def _open_udp(self, source: str, port: int) -> None:
        """NMEA as datagrams to a port that the station listens on."""
        out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        out.setblocking(False)
        self._stack.callback(out.close)
        if port == 0:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
                trial.bind(("127.0.0.1", 0))
                port = int(trial.getsockname()[1])
        self.addresses[source] = {"host": "127.0.0.1", "port": port}

        def say(line: bytes, _: float) -> None:
            with contextlib.suppress(OSError):  # nobody listens yet
                out.sendto(line + b"\r\n", ("127.0.0.1", port))

        self._say[source, "nmea"] = say

    def _post(self, body: bytes) -> None:
        task = asyncio.ensure_future(self._post_patiently(body))
        self._posts.add(task)
        task.add_done_callback(self._posts.discard)

    async def _post_patiently(self, body: bytes) -> None:
        """A phone tries again when the network drops it."""
        for _ in range(5):
            station = self._station()
            if station is not None:
                url = f"{station}api/beacon/{PHONE_TOKEN}"
                try:
                    await asyncio.to_thread(_post, url, body)
                    return
                except (URLError, OSError) as error:
                    log.warning("phone's post failed: %s", error)
            await asyncio.sleep(1.0)
        self.lost_posts += 1


def _post(url: str, body: bytes) -> None:
    request = Request(url, data=body, headers={"Content-Type": "application/json"}, method="POST")
    with urlopen(request, timeout=POST_PATIENCE_S) as answer:
        answer.read()


def _at(port: int) -> dict[str, Any]:
    return {"host": "127.0.0.1", "port": port}
