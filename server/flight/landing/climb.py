"""How a latex balloon climbs, and where it bursts.

It does not climb at one rate: the sphere grows and the air thins, so its Reynolds number falls through the
drag crisis, and above some 15 km it climbs at three quarters of what it did below. The shape is that of 49
real flights; how fast this balloon climbs is what it has shown.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# climb rate at these altitudes over that between 5 and 10 km: medians of 49 flights of 1.5 to 3 kg balloons
# (tests/data/flights), which scatter about it by 3 % up to 10 km and by 14 % above 15 km
_ALTITUDE_M: Array = np.array([
    0.0, 3_750.0, 6_250.0, 8_750.0, 11_250.0, 13_750.0, 16_250.0, 18_750.0, 21_250.0, 23_750.0, 50_000.0,
])  # fmt: skip
_SHAPE: Array = np.array([0.9, 0.935, 0.98, 1.02, 1.05, 1.025, 0.905, 0.845, 0.785, 0.755, 0.755])
_TABLE_M: Array = np.arange(-1_000.0, 50_000.0 + 50.0, 50.0)
_RECIPROCAL: Array = 1.0 / np.interp(_TABLE_M, _ALTITUDE_M, _SHAPE)
_INTEGRAL: Array = np.append(
    0.0, np.cumsum((_RECIPROCAL[1:] + _RECIPROCAL[:-1]) / 2 * np.diff(_TABLE_M))
)
_CHANCES: Array = (np.arange(256) + 0.5) / 256


def climb_integral(altitude_m: Array | float) -> Array:
    """Integral over height of one over the shape: the time from a to b is the difference over the rate."""
    return np.asarray(np.interp(altitude_m, _TABLE_M, _INTEGRAL))


class Climb(NamedTuple):
    """What is still to be climbed before the burst: expected at a height, and known not to have come yet.

    `rate_ms` is the rate between 5 and 10 km, to which the shape belongs. Bursts are skewed to early ones:
    a Gumbel distribution of minima with this mean and this standard deviation (Johnson, Kotz and
    Balakrishnan 1995, Continuous Univariate Distributions 2, ch. 22). On 49 real flights its likelihood is
    e^6 times a normal's.
    """

    rate_ms: float
    rate_sigma_ms: float
    expected_burst_m: float
    burst_sigma_m: float

    def seconds(self, from_m: float, to_m: float) -> float:
        """How long the climb from one height to another takes."""
        return float(climb_integral(to_m) - climb_integral(from_m)) / self.rate_ms

    def burst_m(self, above_m: float) -> float:
        """Mean height of a burst that comes above `above_m`."""
        return float(self.drawn_burst_m(above_m, _CHANCES).mean())

    def drawn_burst_m(self, above_m: float, chance: Array) -> Array:
        """Heights of bursts above `above_m`, by chances between 0 and 1."""
        scale_m = self.burst_sigma_m * math.sqrt(6.0) / math.pi
        mode_m = self.expected_burst_m + float(np.euler_gamma) * scale_m
        survived = (above_m - mode_m) / scale_m
        drawn = np.logaddexp(survived, np.log(-np.log1p(-np.clip(chance, 1e-12, 1 - 1e-12))))
        return np.maximum(mode_m + scale_m * drawn, above_m)


def rate_between(from_m: float, to_m: float, took_s: float) -> float:
    """The rate between 5 and 10 km of a balloon that climbed from one height to another in that time."""
    return float(climb_integral(to_m) - climb_integral(from_m)) / took_s
