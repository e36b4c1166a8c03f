"""Bytes of a stream into payloads of receptions, with what is not worth the journal left out.

Garbage is a reception too: it is kept, and the decoders say that they cannot read it. A frame or
line that is too long, or cut by the end of its connection, is dropped and counted: a cut packet
could pass for a whole one.
"""

from __future__ import annotations

from typing import Protocol

import orjson

from decoders.kiss import KissDecoder
from decoders.lines import LineSplitter

LINE_BYTES = 1024
GPSD_LINE_BYTES = 16_384  # gpsd's own bound is 10,240
REMARK_CHARACTERS = 200
_GPSD_GREETINGS = (b"VERSION", b"WATCH", b"DEVICE")


class Framer(Protocol):
    """`remark` is the last thing that the other side said of itself; `dropped` counts."""

    remark: str | None

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
        return ([noise] if noise else []) + [frame.payload for frame in frames]

    def finish(self) -> None:
        self._cut += 1 if self._decoder.flush() else 0


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
