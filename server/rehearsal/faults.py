"""When the faults of a tracker's script happen in a made flight."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from server.rehearsal.scenario import Fault, Tracker
from server.rehearsal.truth import Truth

CEILING_M = 18_000.0  # receivers without the high-altitude mode give up here (60,000 ft)


@dataclass(frozen=True, slots=True)
class FaultTime:
    """A fault of a tracker with its real moments, for the judge."""

    tracker: str
    kind: str
    from_s: float
    to_s: float


def fault_times(plan: Tracker, truth: Truth) -> Iterator[FaultTime]:
    for fault in plan.faults:
        from_s = event_s(fault, truth)
        to_s = math.inf if fault.lasts_s is None else from_s + fault.lasts_s
        if fault.kind == "ceiling":
            high = np.flatnonzero(truth.altitude_m >= CEILING_M) + truth.start_s
            if not high.size:
                continue
            from_s, to_s = max(from_s, float(high[0])), min(to_s, float(high[-1]))
        yield FaultTime(plan.callsign or plan.source or plan.name, fault.kind, from_s, to_s)


def event_s(fault: Fault, truth: Truth) -> float:
    """When a fault begins."""
    if fault.below_m is not None:
        falling = np.arange(truth.altitude_m.size) + truth.start_s > truth.burst_s
        low = np.flatnonzero(falling & (truth.altitude_m < fault.below_m))
        return truth.start_s + float(low[0]) + fault.after_s if low.size else math.inf
    base_s = {"launch": truth.launch_s, "burst": truth.burst_s, "landing": truth.landing_s}
    return base_s[fault.event] + fault.after_s
