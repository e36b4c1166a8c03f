"""Is an entry of the journal what was written? CRC-32 (ISO 3309, as zlib has it) over all of its fields."""

from __future__ import annotations

import sys
import zlib
from collections.abc import Sequence
from typing import Any

from server.flight.inputs import Command, Reception


def check_sum(one: Reception | Command) -> int:
    if isinstance(one, Reception):
        head = f"{one.heard_at_ms}\0{one.source}\0{one.wire}\0"
        return zlib.crc32(one.payload, zlib.crc32(head.encode("utf-8", "surrogatepass")))
    numbers = (one.at_s, one.latitude_deg, one.longitude_deg)
    said = [*(None if n is None else float(n) for n in numbers), one.kind, one.name]
    return zlib.crc32(repr([*said, one.station, one.flight]).encode("utf-8", "surrogatepass"))


def reception_of(row: Sequence[Any]) -> Reception | None:
    """Time, source, wire, payload and check sum as they were read; None when they do not belong together.

    The check sum is None in an entry of before there were any, and there alone: `schema.values`.
    """
    heard_at_ms, source, wire, payload, crc = row
    typed = isinstance(heard_at_ms, int) and isinstance(source, str) and isinstance(wire, str)
    if not (typed and isinstance(payload, bytes)):
        return None
    # a name for all of a day's receptions, not one each
    one = Reception(heard_at_ms, sys.intern(source), sys.intern(wire), payload)
    return one if crc is None or crc == check_sum(one) else None


def command_of(row: Sequence[Any]) -> Command | None:
    *values, crc = row
    at_s, kind, name, latitude_deg, longitude_deg, station, flight = values
    texts = all(isinstance(text, str) for text in (kind, name, station, flight))
    places = all(n is None or isinstance(n, float) for n in (latitude_deg, longitude_deg))
    if not (texts and places and isinstance(at_s, float)):
        return None
    one = Command(at_s, kind, name, latitude_deg, longitude_deg, station, flight)
    return one if crc is None or crc == check_sum(one) else None


def text_of(stored: bytes) -> str:
    """Bytes that are no text any more must not end the reading: their check sum tells."""
    return stored.decode("utf-8", "replace")
