"""How long the event loop is held while the landing is worked out beside it, question included."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Sequence

import numpy as np

from server.flight.inputs import Plan, Reception
from server.flight.mission import Mission
from server.session import session as watch_module
from server.session.session import Session

PREDICTIONS = 20
_PAUSE_S = 0.05
_TICK_S = 0.001


def loop_held_ms(plan: Plan, heard: Sequence[Reception]) -> dict[str, float]:
    """Longest gap between two turns of the loop: by prediction the median, the worst, and at rest."""
    flight = Mission(plan)
    flight.receive(list(heard))
    flight.flights[0].track.latest()  # a station has taken them in one by one
    pause_s, watch_module.LANDING_PAUSE_S = watch_module.LANDING_PAUSE_S, _PAUSE_S
    try:
        return asyncio.run(_measure(flight))
    finally:
        watch_module.LANDING_PAUSE_S = pause_s


async def _measure(flight: Mission) -> dict[str, float]:
    watch = Session(flight)
    answered = asyncio.Event()
    watch.subscribe(answered.set)
    at_rest = [await _longest_gap_ms(asyncio.sleep(_PAUSE_S)) for _ in range(PREDICTIONS)]
    watch.settle_landing()
    work = asyncio.create_task(watch.keep_landing())
    gaps = []
    for _ in range(PREDICTIONS):
        watch.changed()
        answered.clear()
        gaps.append(await _longest_gap_ms(answered.wait()))
        await asyncio.sleep(2 * _PAUSE_S)
    work.cancel()
    watch.close()
    return {
        "median": float(np.median(gaps)),
        "worst": float(max(gaps)),
        "worst_at_rest": float(max(at_rest)),
    }


async def _longest_gap_ms(until: Awaitable[object]) -> float:
    done = asyncio.ensure_future(until)
    longest_s, before_s = 0.0, time.perf_counter()
    while not done.done():
        await asyncio.sleep(_TICK_S)
        now_s = time.perf_counter()
        longest_s, before_s = max(longest_s, now_s - before_s - _TICK_S), now_s
    return 1e3 * longest_s
