"""Network ends as real programs offer them: a TNC's KISS port, a line feed with login, gpsd."""

from __future__ import annotations

import asyncio
import contextlib
import math
import re

from decoders.decode import decode
from decoders.kiss import encode_frame
from decoders.reports import PositionReport
from server.rehearsal.truth import distance_m

MOST_WAITING_BYTES = 1_000_000  # of a client that does not read; then it is dropped
LINE_BYTES = 4_096
KEEPALIVE_S = 20.0
_RANGE = re.compile(r"\br/(-?[\d.]+)/(-?[\d.]+)/([\d.]+)")


class Server:
    """Sends the same bytes to everyone who has connected. One on loopback."""

    def __init__(self) -> None:
        self._clients: set[asyncio.StreamWriter] = set()  # who has logged in
        self._writers: set[asyncio.StreamWriter] = set()  # everyone
        self._joined = asyncio.Event()
        self._serving: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def open(self, port: int) -> int:
        """Listen on loopback; the port (a free one for 0)."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port, limit=LINE_BYTES)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
        for writer in tuple(self._writers):
            writer.transport.abort()  # its reader ends, and so does its task
        await asyncio.gather(*self._serving, return_exceptions=True)

    async def joined(self) -> None:
        """Wait for the first client that may be sent packets."""
        await self._joined.wait()

    def send(self, data: bytes) -> None:
        """To every client at once; never waits."""
        for writer in tuple(self._clients):
            if writer.transport.get_write_buffer_size() > MOST_WAITING_BYTES:
                self._clients.discard(writer)
                writer.close()
            else:
                writer.write(data)

    async def greet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """What is said before the first packet; may wait for the client's login."""

    async def told(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        """A line of the client."""

    def left(self, writer: asyncio.StreamWriter) -> None:
        """A client has gone."""

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._serving.add(task)
        task.add_done_callback(self._serving.discard)
        self._writers.add(writer)
        with contextlib.suppress(OSError, ValueError, asyncio.IncompleteReadError):
            await self.greet(reader, writer)
            self._clients.add(writer)
            self._joined.set()
            while line := await reader.readline():
                await self.told(line, writer)
        self._clients.discard(writer)
        self._writers.discard(writer)
        self.left(writer)
        writer.close()


class KissServer(Server):
    """A TNC's KISS port; what a client asks it to transmit is thrown away."""

    def hear(self, payload: bytes) -> None:
        """Type byte and frame."""
        self.send(encode_frame(payload[1:], payload[0] >> 4, payload[0] & 0x0F))


class FeedServer(Server):
    """An APRS-IS-like feed: greeting, login, remarks, and the range filter r/LAT/LON/KM."""

    def __init__(self) -> None:
        super().__init__()
        self._filters: dict[asyncio.StreamWriter, tuple[float, float, float]] = {}
        self._places: dict[str, tuple[float, float]] = {}
        self._remarks: asyncio.Task[None] | None = None

    async def open(self, port: int) -> int:
        self._remarks = asyncio.ensure_future(self._remark())
        return await super().open(port)

    async def close(self) -> None:
        if self._remarks is not None:
            self._remarks.cancel()
        await super().close()

    async def greet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"# rehearsal feed\r\n")
        while True:
            line = await reader.readline()
            words = line.decode("latin-1").split()
            if not line:
                raise OSError("left before the login")
            if len(words) >= 2 and words[0].lower() == "user":
                break
        found = _RANGE.search(line.decode("latin-1"))
        if found is not None:
            self._filters[writer] = (float(found[1]), float(found[2]), float(found[3]))
        writer.write(f"# logresp {words[1]} unverified, server REHEARSAL\r\n".encode("latin-1"))

    def left(self, writer: asyncio.StreamWriter) -> None:
        self._filters.pop(writer, None)

    def hear(self, line: bytes, heard_at_s: float) -> None:
        """One packet, to those whose filter lets it pass."""
        decoding = decode("tnc2", line, heard_at_s, "feed")
        sender = decoding.transmission.sender if decoding.transmission is not None else ""
        for report in decoding.reports:
            if isinstance(report, PositionReport):
                self._places[sender] = (report.latitude_deg, report.longitude_deg)
        place = self._places.get(sender)
        for writer in tuple(self._clients):
            asked = self._filters.get(writer)
            far_m = math.inf if place is None or asked is None else distance_m(asked[:2], place)
            # without a filter, or for rubbish that has no place, everything passes
            if asked is None or place is None or far_m <= asked[2] * 1_000.0:
                writer.write(line + b"\r\n")

    async def _remark(self) -> None:
        while True:
            await asyncio.sleep(KEEPALIVE_S)
            self.send(b"# rehearsal feed\r\n")


class GpsdServer(Server):
    """gpsd's side of gpsd_json(5): VERSION, then reports for those who have asked with ?WATCH."""

    def __init__(self) -> None:
        super().__init__()
        self._watching: set[asyncio.StreamWriter] = set()

    async def greet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(
            b'{"class":"VERSION","release":"rehearsal","rev":"1","proto_major":3,'
            b'"proto_minor":14}\r\n'
        )

    async def told(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        if line.startswith(b"?WATCH="):
            self._watching.add(writer)
            writer.write(
                b'{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/ttyACM0"}]}\r\n'
                b'{"class":"WATCH","enable":true,"json":true}\r\n'
            )

    def left(self, writer: asyncio.StreamWriter) -> None:
        self._watching.discard(writer)

    def hear(self, line: bytes) -> None:
        """One JSON object."""
        for writer in tuple(self._watching):
            writer.write(line + b"\r\n")
