"""Flights that wait on a pad like the real ones: are they followed, and is anything told that is false?

Made by the rehearsal: 3 to 60 minutes of rest, at intervals from 1 Hz to 5 minutes, one to three
trackers, with and without a plan, carried, switched on indoors, settling, driven to the site, tested
on a line the day before.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np

from tests.pad_flights import Seen, follow, make_pad

FLIGHTS = 500


def _followed(number: int) -> Seen:
    return follow(make_pad(number))


def run(flights: int = FLIGHTS) -> dict[str, Any]:
    """The figures of the issue."""
    with ProcessPoolExecutor() as workers:
        seen = list(workers.map(_followed, range(flights)))
    delays = [s.launch_delay_s for s in seen if s.launch_delay_s is not None]
    return {
        "followed": sum(s.followed for s in seen) / len(seen),
        **{f"false_{k}": sum(s.false[k] for s in seen) for k in ("launch", "float", "landing")},
        "false_burst": sum(s.false["burst"] + s.false["sink"] for s in seen),
        "launch_delay_s": {
            "median": float(np.median(delays)),
            "p95": float(np.quantile(delays, 0.95)),
        },
        "false_alarms_per_flight": sum(len(s.false_alarms) for s in seen) / len(seen),
        "flights": flights,
    }
