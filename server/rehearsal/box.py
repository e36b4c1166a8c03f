"""The box and what its sensors feel, second by second.

Check values of the trade (common practice, no source): outside down to about -60 °F, inside an
insulated foam box 40 to 60 °F, and an exposed sensor that reads high near the top of the flight,
where the thin air cools it less than the sun warms it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from server.rehearsal.air import Array, density, temperature_pressure
from server.rehearsal.truth import Truth

_WARM_DAY_K = 8.0  # over the standard atmosphere at the ground, gone at the tropopause
_SUN_K = 3.2  # radiative error at sea-level ventilation, grows as the air thins
_INSIDE_START_C = 13.0  # kept in the shade until the launch
_HEAT_W = 1.6
_FOAM_W_K = 0.04
_CAPACITY_J_K = 900.0
_FULL_V, _SAG_V, _COLD_V = 5.02, 0.55, 0.006  # three cells; sag over 5 hours; V per K below 10 °C


@dataclass(frozen=True, slots=True)
class Box:
    """Arrays by second, as those of Truth."""

    air_c: Array
    outside_c: Array
    inside_c: Array
    pressure_hpa: Array
    humidity_percent: Array
    battery_v: Array


def feel(truth: Truth) -> Box:
    """All sensors along the flight."""
    z = truth.altitude_m
    kelvin, pascal = temperature_pressure(z)
    air = kelvin - 273.15 + _WARM_DAY_K * np.clip(1 - z / 11_000.0, 0.0, 1.0)
    thin = float(density(0.0)) / density(z)
    speed = np.hypot(truth.climb_ms, 3.0)  # always some draught
    outside = _lag(air + _SUN_K * np.sqrt(thin / speed), 12.0)
    inside = _inside(outside)
    seconds = np.arange(z.size)
    battery = _FULL_V - _SAG_V * seconds / 18_000.0 - _COLD_V * np.clip(10.0 - inside, 0.0, None)
    humidity = np.clip(
        62.0 * np.exp(-((z / 5_500.0) ** 1.4)) + 8.0 * np.exp(-(((z - 9e3) / 1.5e3) ** 2)), 2, 98
    )
    return Box(air, outside, inside, pascal / 100.0, _lag(humidity, 30.0), battery)


def _lag(values: Array, memory_s: float) -> Array:
    keep = math.exp(-1.0 / memory_s)
    out = values.tolist()
    for i in range(1, len(out)):
        out[i] = keep * out[i - 1] + (1 - keep) * out[i]
    return np.array(out)


def _inside(outside_c: Array) -> Array:
    """Warmth of the electronics against what leaks through the foam."""
    inside = _INSIDE_START_C
    path = []
    for outside in outside_c.tolist():
        inside += (_HEAT_W - _FOAM_W_K * (inside - outside)) / _CAPACITY_J_K
        path.append(inside)
    return np.array(path)
