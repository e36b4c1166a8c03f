"""How many receptions of each wire pass the decoders' door in a second, on one core."""

from __future__ import annotations

import time
from typing import Any

from decoders.ax25 import encode_ui
from decoders.decode import decode
from decoders.reports import Wire
from decoders.tnc2 import encode_line
from tests.decoders.corpus import READINGS, payloads, transmissions
from tests.decoders.packets import HEARD_S

REQUIRED_POSITIONS_PER_S = 5_000
ROUNDS = 3


def run() -> dict[str, Any]:
    """Receptions per second by wire (the best of a few rounds), and by APRS position format."""
    good = payloads()
    figures: dict[str, Any] = {
        f"{wire} receptions/s": _rate(wire, _repeated(good[wire]))
        for wire in ("tnc2", "agw", "nmea", "gpsd", "fields", "json")
    }
    sent = transmissions(2_000)
    positions = sent[:2_000]
    figures["tnc2 positions/s"] = _rate("tnc2", [encode_line(one) for one in positions])
    figures["kiss positions/s"] = _rate("kiss", [b"\x00" + encode_ui(one) for one in positions])
    for place, name in enumerate(("uncompressed", "compressed", "Mic-E", "object")):
        lines = [encode_line(one) for one in positions[place::4]]
        figures[f"tnc2 {name} positions/s"] = _rate("tnc2", lines)
    figures["required positions/s"] = REQUIRED_POSITIONS_PER_S
    return figures


def _repeated(lines: list[bytes]) -> list[bytes]:
    return lines * (2_000 // len(lines) + 1)


def _rate(wire: Wire, lines: list[bytes]) -> float:
    best = float("inf")
    for _ in range(ROUNDS):
        start = time.perf_counter()
        for line in lines:
            decode(wire, line, HEARD_S, "bench", READINGS.get(wire))
        best = min(best, time.perf_counter() - start)
    return len(lines) / best
