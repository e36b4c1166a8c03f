"""What a late packet costs: processor time of a rerun, deep in a long flight."""

from __future__ import annotations

import gc
import time

import numpy as np

from server.flight.mission import Mission
from server.flight.track.fixes import Fix
from server.flight.track.track import Track
from tests.made import make_flight


def late_ms() -> float:
    """The dearest of 20 late packets into a flight of 5,000 fixes: up to seven minutes late."""
    track, fixes = _long_track()
    held = fixes[4_000:4_400:20]
    track.add([f for f in fixes if f not in held])
    track.settle()
    worst = 0.0
    for fix in held:
        part = [r.fix for r in track.records() if r.fix.time_s <= fix.time_s + 420.0]
        shorter = Track(track.constants, (38.35, -98.2))
        shorter.add(part)
        shorter.settle()
        gc.collect()
        gc.freeze()  # as the station does
        started = time.thread_time()
        shorter.add([fix])
        shorter.settle()
        worst = max(worst, 1e3 * (time.thread_time() - started))
        gc.unfreeze()
    return worst


def _long_track() -> tuple[Track, list[Fix]]:
    """Fixes of a made flight, made dense: 5,000 of them."""
    made = make_flight("plain", 1)
    flight = Mission(made.plan)
    truth = made.truth
    rng = np.random.default_rng(1)
    span_s = truth.end_s - truth.start_s
    fixes = []
    for i in range(5_000):
        at_s = truth.start_s + span_s * i / 5_000
        latitude_deg, longitude_deg, altitude_m = truth.at(at_s)
        d = rng.normal(0, 1, 3)
        fixes.append(
            Fix(
                at_s,
                f"N0CALL-{11 + i % 3}",
                latitude_deg + d[0] * 5e-5,
                longitude_deg + d[1] * 6e-5,
                altitude_m + 8 * d[2],
                None,
                None,
                8.0,
                12.0,
                10.0,
                True,
            )
        )
    return Track(flight.flights[0].track.constants, (38.35, -98.2)), fixes
