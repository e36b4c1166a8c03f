"""Mutated packets of every wire through whole flights: `python -m tests.bench mutated --packets N`.

A flight's memory grows with what it hears, so there are many of 2,000 packets each. Times are of the
processor: the machine may be busy.
"""

from __future__ import annotations

import gc
from typing import Any

from server.session.slices import without_full_collections
from tests.mutated import SLOW_S, Found, fly

_PACKETS_A_FLIGHT = 2_000
_FIRST_SEED = 1_313


def run(packets: int = 2_000_000, first: int = _FIRST_SEED) -> dict[str, Any]:
    """Exceptions, numbers in the state that are not finite, and packets above 20 ms.

    A packet is booked, and the work that it leaves is done in slices; the longest of these is what it
    holds the loop for. `wholes_...` counts all that a packet made to do, its slices together.
    """
    found = Found()
    collected = gc.get_threshold()
    without_full_collections()  # as a live station does
    for seed in range(first, first + -(-packets // _PACKETS_A_FLIGHT)):
        fly(seed, _PACKETS_A_FLIGHT, found)
        gc.collect()  # the flight that is over
    gc.set_threshold(*collected)
    return {
        "packets": found.packets,
        "exceptions": found.exceptions.total(),
        "faults_in_decoders": found.faults_in_decoders.total(),
        "unusable": found.unusable,
        "not_finite": found.not_finite.total(),
        f"above_{SLOW_S * 1000:.0f}_ms": found.slow,
        "slowest_ms": 1000.0 * found.slowest_s,
        "slowest_packet": found.slowest_packet,
        f"wholes_above_{SLOW_S * 1000:.0f}_ms": found.slow_wholes,
        "slowest_whole_ms": 1000.0 * found.slowest_whole_s,
        "slowest_snapshot_ms": 1000.0 * found.slowest_snapshot_s,
        "first_of_each": [
            *found.exceptions.most_common(10),
            *found.faults_in_decoders.most_common(10),
            *found.not_finite.most_common(10),
        ],
    }
