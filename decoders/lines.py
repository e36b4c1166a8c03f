"""Lines out of a byte stream: TNC2, NMEA and gpsd all end theirs with CR, LF or both.

Empty lines are nothing. A line longer than the bound is counted and dropped to its end.
"""

from __future__ import annotations

import re

MAX_LINE_BYTES = 1024
_LINE_END = re.compile(rb"[\r\n]")


class LineSplitter:
    """Fed bytes in pieces of any size, gives whole lines without their ends.

    The buffer holds at most `max_line_bytes`. Counters: `oversize` lines, `dropped_bytes`.
    """

    def __init__(self, max_line_bytes: int = MAX_LINE_BYTES) -> None:
        if max_line_bytes < 1:
            raise ValueError(f"a line has at least one byte, not {max_line_bytes}")
        self.max_line_bytes = max_line_bytes
        self.oversize = 0
        self.dropped_bytes = 0
        self._rest = bytearray()
        self._dropping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Lines that `data` completes, in order; what is left waits for its end."""
        *ended, rest = _LINE_END.split(data)
        lines: list[bytes] = []
        for piece in ended:
            self._append(piece)
            if self._rest and not self._dropping:
                lines.append(bytes(self._rest))
            self._rest.clear()
            self._dropping = False
        self._append(rest)
        return lines

    def flush(self) -> bytes:
        """The unfinished line, for a stream that has ended; empty when there is none."""
        rest = bytes(self._rest)
        self._rest.clear()
        self._dropping = False
        return rest

    def _append(self, piece: bytes) -> None:
        if self._dropping:
            self.dropped_bytes += len(piece)
        elif len(self._rest) + len(piece) > self.max_line_bytes:
            self.oversize += 1
            self.dropped_bytes += len(self._rest) + len(piece)
            self._rest.clear()
            self._dropping = True
        else:
            self._rest += piece
