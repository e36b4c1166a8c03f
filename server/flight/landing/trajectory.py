"""One way up and down through a forecast: no chance in it, the wind taken where and when the box is.

Heights of the climb and the fall are those of the ensemble (climb.py, descent.py); the wind is followed
by the midpoint rule in steps of height (Hairer, Norsett and Wanner 1993, Solving Ordinary Differential
Equations I, ch. II.1: second order).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from server.flight.landing.climb import Climb
from server.flight.landing.descent import fall_integral
from server.flight.landing.question import Forecast
from server.flight.physics.geodesy import LocalFrame

Array = npt.NDArray[np.float64]
STEP_M = 250.0


def trajectory(
    forecast: Forecast,
    frame: LocalFrame,
    start: tuple[float, float, float, float],
    climb: Climb,
    burst_m: float,
    fall_constant: float,
    ground: Callable[[float, float], float],
    step_m: float = STEP_M,
) -> Array:
    """Rows of UTC seconds, x, y, altitude, shape (n, 4); `start` is the first.

    `ground`: its altitude by x and y. ValueError where the forecast does not reach.
    """
    rows = [start]

    def step(to_m: float, took_s: float) -> tuple[float, float, float, float]:
        time_s, x, y, z = rows[-1]
        half = _drift(forecast, frame, (time_s, x, y, z))
        middle = (time_s + took_s / 2, x + half[0] * took_s / 2, y + half[1] * took_s / 2)
        east, north = _drift(forecast, frame, (*middle, (z + to_m) / 2))
        return time_s + took_s, x + east * took_s, y + north * took_s, to_m

    for to_m in _heights(start[3], burst_m, step_m):
        rows.append(step(to_m, climb.seconds(rows[-1][3], to_m)))
    while True:
        z = rows[-1][3]
        here_m = ground(rows[-1][1], rows[-1][2])
        to_m = z - step_m
        took_s = float(fall_integral(z) - fall_integral(to_m)) / fall_constant
        after = step(to_m, took_s)
        there_m = ground(after[1], after[2])
        if to_m > there_m:
            rows.append(after)
            continue
        share = (z - here_m) / ((z - here_m) - (to_m - there_m))  # where it meets the ground
        end_m = z - min(max(share, 0.0), 1.0) * step_m
        rows.append(step(end_m, float(fall_integral(z) - fall_integral(end_m)) / fall_constant))
        return np.array(rows)


def _heights(from_m: float, to_m: float, step_m: float) -> Iterator[float]:
    while from_m + step_m < to_m:
        from_m += step_m
        yield from_m
    yield to_m


def _drift(
    forecast: Forecast, frame: LocalFrame, at: tuple[float, float, float, float]
) -> tuple[float, float]:
    """Along x and y, m/s: the wind by true north, turned into the flat frame."""
    time_s, x, y, z = at
    latitude_deg, longitude_deg = map(float, frame.to_latlon(x, y))
    altitude_m, east, north = forecast.profile(latitude_deg, longitude_deg, time_s)
    e, n = float(np.interp(z, altitude_m, east)), float(np.interp(z, altitude_m, north))
    left = math.radians(frame.convergence_deg(latitude_deg, longitude_deg))
    return e * math.cos(left) - n * math.sin(left), n * math.cos(left) + e * math.sin(left)
