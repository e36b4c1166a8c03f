"""Flights that do not go up, burst and come down: what real ones did besides, as heights by second.

Descriptions of odd real flights (a slow climb, a float cut after hours, one balloon of two that goes
on, a leak); numbers within them are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from server.rehearsal.air import Array
from server.rehearsal.balloon import wandering
from server.rehearsal.scenario import Odd

_SLOW_MS = (1.0, 2.0)
_SECOND_FACTOR = 0.35  # of the climb rate, with one balloon of two left
_WAVES_MS = 0.25  # rms of the air's own rise and fall, over about four minutes


def rising(odd: Odd, usual: list[float], chance: np.random.Generator) -> list[float]:
    """Altitudes, one a second, from the launch to what ends it (burst, cut, or nothing: the last is low).

    `usual` is the climb as it would be; its last altitude is the burst.
    """
    launch_m, burst_m = usual[0], usual[-1]
    if odd == "slow climb":
        return _at(launch_m, [(float(chance.uniform(*_SLOW_MS)), burst_m)], chance)
    if odd == "float and cut":
        height_m = launch_m + float(chance.uniform(0.5, 0.9)) * (burst_m - launch_m)
        climb = [z for z in usual if z < height_m]
        seconds = int(chance.uniform(1_800.0, 4 * 3_600.0))
        waves = wandering(chance, seconds, 12.0, 240.0)
        return [*climb, *(climb[-1] + waves - waves[0]).tolist()]
    if odd == "two balloons":
        first_m = launch_m + float(chance.uniform(0.4, 0.7)) * (burst_m - launch_m)
        climb = [z for z in usual if z < first_m]
        slow_ms = _SECOND_FACTOR * (climb[-1] - climb[0]) / len(climb)
        return [*climb, *_at(climb[-1], [(slow_ms, burst_m)], chance)]
    if odd == "slow sink":
        top_m = launch_m + float(chance.uniform(0.4, 0.8)) * (burst_m - launch_m)
        climb = [z for z in usual if z < top_m]
        sink_ms = float(chance.uniform(0.6, 1.6))
        lost_m = float(chance.uniform(0.3, 0.9)) * (top_m - launch_m)
        return [*climb, *_at(climb[-1], [(-sink_ms, top_m - lost_m)], chance)]
    return usual


def _at(
    start_m: float, legs: list[tuple[float, float]], chance: np.random.Generator
) -> list[float]:
    """Rates in m/s, each up or down to an altitude, with the waves of the air."""
    path: list[float] = []
    z = start_m
    for rate_ms, to_m in legs:
        seconds = int(abs((to_m - z) / rate_ms)) + 1
        waves = np.cumsum(wandering(chance, seconds, _WAVES_MS, 240.0))
        steps = z + rate_ms * np.arange(seconds) + (waves - waves[0]) * 0.5
        path += steps.tolist()
        z = to_m
    return path


def dragged(seconds: int, chance: np.random.Generator) -> tuple[Array, Array]:
    """After it came down: metres along the wind, and how far the receiver's altitude bounces, by second.

    A real one read 117 m too low a minute after it touched the ground.
    """
    drag_s, speed_ms = chance.uniform(60.0, 420.0), chance.uniform(1.0, 4.0)
    second = np.arange(seconds)
    along_m = np.minimum(second, drag_s) * speed_ms
    return along_m, -100.0 * np.exp(-((second - 60.0) ** 2) / (2 * 15.0**2))
