"""Bytes of a stream into payloads of receptions, with what is not worth the journal left out.

Garbage is a reception too: it is kept, and the decoders say that they cannot read it. A frame or
line that is too long, or cut by the end of its connection, is dropped and counted: a cut packet
could pass for a whole one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import orjson

from decoders import agw, tnc2
from decoders.json_objects import MAX_BODY_BYTES
from decoders.kiss import FEND, KissDecoder
from decoders.lines import LineSplitter
from decoders.reports import DecodeError, Transmission

LINE_BYTES = 1024
GPSD_LINE_BYTES = 16_384  # gpsd's own bound is 10,240
JSON_LINE_BYTES = 65_536
REMARK_CHARACTERS = 200
SPEAKS_AGW = 'this port speaks AGW: use kind = "agw-tcp"'
SPEAKS_KISS = 'this port speaks KISS: use kind = "kiss-tcp"'
_ANSWERS = "RGgXkm"
_GPSD_GREETINGS = (b"VERSION", b"WATCH", b"DEVICE")


class Framer(Protocol):
    """`remark` is the last thing that the other side said of itself; `dropped` counts."""

    @property
    def remark(self) -> str | None: ...

    @property
    def dropped(self) -> int: ...

    def feed(self, data: bytes) -> list[bytes]:
        """Payloads that `data` completes."""

    def finish(self) -> None:
        """The stream has ended; what is unfinished is dropped."""


class KissFramer:
    """Type byte and frame, unescaped; noise before the first FEND as one payload a chunk."""

    def __init__(self) -> None:
        self.remark: str | None = None
        self._decoder = KissDecoder()
        self._cut = 0

    @property
    def dropped(self) -> int:
        return self._decoder.oversize + self._cut

    def feed(self, data: bytes) -> list[bytes]:
        frames = self._decoder.feed(data)
        noise = self._decoder.take_noise()
        if frames:
            self.remark = None
        elif agw.looks_like(noise):
            self.remark = SPEAKS_AGW
        return ([noise] if noise else []) + [frame.payload for frame in frames]

    def finish(self) -> None:
        self._cut += 1 if self._decoder.flush() else 0


class AgwFramer:
    """Frames with their headers; noise between them as one payload a chunk.

    Answers to our own questions are left out of the journal, and so is the text of a packet on a
    connection that has also given it raw.
    """

    def __init__(self) -> None:
        self.remark: str | None = None
        self._decoder = agw.AgwDecoder()
        self._raw = False
        self._cut = 0

    @property
    def dropped(self) -> int:
        return self._cut

    def feed(self, data: bytes) -> list[bytes]:
        kept = [frame for frame in self._decoder.feed(data) if self._keep(frame)]
        noise = self._decoder.take_noise()
        if noise[:1] == bytes([FEND]):
            self.remark = SPEAKS_KISS
        return ([noise] if noise else []) + kept

    def finish(self) -> None:
        self._cut += 1 if self._decoder.flush() else 0

    def _keep(self, payload: bytes) -> bool:
        try:
            frame = agw.decode_frame(payload)
        except DecodeError:
            return True
        if frame.kind == "R" and len(frame.data) >= 8:
            major, minor = (int.from_bytes(frame.data[i : i + 2], "little") for i in (0, 4))
            self.remark = f"AGW server, version {major}.{minor}"
        if frame.kind == "K":
            self._raw = True
        return frame.kind not in _ANSWERS and not (frame.kind == "U" and self._raw)


class LineFramer:
    """Lines without their ends; blank ones are left out."""

    def __init__(self, max_line_bytes: int = LINE_BYTES) -> None:
        self.remark: str | None = None
        self._splitter = LineSplitter(max_line_bytes)
        self._cut = 0

    @property
    def dropped(self) -> int:
        return self._splitter.oversize + self._cut

    def feed(self, data: bytes) -> list[bytes]:
        lines = self._splitter.feed(data)
        return [line for line in lines if line.strip() and self._keep(line)]

    def finish(self) -> None:
        self._cut += 1 if self._splitter.flush().strip() else 0

    def _keep(self, line: bytes) -> bool:
        return True


class Tnc2Framer(LineFramer):
    """Packets; the server's own remarks ("# ...", one every 20 s) are not put in the journal.

    `remark` is the answer to the login once there is one, for it tells whether the call is known.
    """

    def _keep(self, line: bytes) -> bool:
        if not line.startswith(b"#"):
            return True
        said = line[1:].decode("utf-8", "replace").strip()[:REMARK_CHARACTERS]
        if said.startswith("logresp") or not (self.remark or "").startswith("logresp"):
            self.remark = said
        return False


class MonitorFramer(Tnc2Framer):
    """The same from TNCs, some of which print the information on the line behind the header.

    Both become one payload, with CR between them. A header waits for the next line, at most.
    """

    def __init__(self) -> None:
        super().__init__()
        self._header = b""

    def feed(self, data: bytes) -> list[bytes]:
        joined: list[bytes] = []
        for line in super().feed(data):
            awaits = tnc2.awaits_information(line)
            if self._header and not awaits and not _is_packet(line):
                joined.append(self._header + b"\r" + line)
                self._header = b""
                continue
            if self._header:
                joined.append(self._header)
            self._header = line if awaits else b""
            if not awaits:
                joined.append(line)
        return joined

    def finish(self) -> None:
        self._cut += 1 if self._header else 0
        self._header = b""
        super().finish()


def _is_packet(line: bytes) -> bool:
    try:
        return isinstance(tnc2.decode_line(line), Transmission)
    except DecodeError:
        return False


class JsonLineFramer(LineFramer):
    """One JSON object a line."""

    def __init__(self) -> None:
        super().__init__(JSON_LINE_BYTES)


class WholeFramer:
    """Each chunk is a payload: a datagram, or a message of a broker."""

    def __init__(self) -> None:
        self.remark: str | None = None
        self.dropped = 0

    def feed(self, data: bytes) -> list[bytes]:
        if len(data) > MAX_BODY_BYTES:
            self.dropped += 1
            return []
        return [data] if data.strip() else []

    def finish(self) -> None:
        """Nothing waits."""


class DatagramFramer:
    """A framer of streams for datagrams: `end` closes what a datagram leaves open."""

    def __init__(self, framer: Callable[[], Framer], end: bytes) -> None:
        self._framer, self._end = framer(), end

    @property
    def remark(self) -> str | None:
        return self._framer.remark

    @property
    def dropped(self) -> int:
        return self._framer.dropped

    def feed(self, data: bytes) -> list[bytes]:
        return self._framer.feed(data + self._end)

    def finish(self) -> None:
        self._framer.finish()


class GpsdFramer(LineFramer):
    """TPV, SKY and what is not known; gpsd's greeting is left out of the journal."""

    def __init__(self) -> None:
        super().__init__(GPSD_LINE_BYTES)

    def _keep(self, line: bytes) -> bool:
        if not any(word in line[:40] for word in _GPSD_GREETINGS):
            return True
        try:
            content = orjson.loads(line)
        except orjson.JSONDecodeError:
            return True
        if not isinstance(content, dict):
            return True
        kind = content.get("class")
        if kind == "DEVICES" and not content.get("devices"):
            self.remark = "gpsd runs but has no receiver; plug it in"
        elif kind in ("DEVICES", "DEVICE"):
            self.remark = None
        return kind not in ("VERSION", "WATCH", "DEVICES", "DEVICE")
