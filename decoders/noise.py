"""The bytes of a stream that belong to no frame: counted, and the head of them kept for the journal."""

from __future__ import annotations


class Noise:
    """Holds at most `most_bytes` between two calls of `take`."""

    def __init__(self, most_bytes: int) -> None:
        self.count = 0  # of all bytes so far
        self._most_bytes = most_bytes
        self._head = bytearray()

    def add(self, byte: int) -> None:
        self.count += 1
        if len(self._head) < self._most_bytes:
            self._head.append(byte)

    def take(self) -> bytes:
        """The head of the noise since the last call; empty when there was none."""
        head = bytes(self._head)
        self._head.clear()
        return head
