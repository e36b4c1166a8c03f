"""A balloon that still carries the box and does not climb: for how long, and what comes then.

Nobody knows when a float is cut or a leak lets go. The wait is exponential with an unknown rate r; the
prior of r is a gamma density, r T² exp(-r T), which is worth one wait of T, an hour (common practice, no
source). The mean of exp(-r t) over it is (T / (T + t))², so that a float that has lasted for t goes on for
more than s with the chance ((t + T) / (t + T + s))². It is drawn by inverting that (a Lomax distribution).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.question import Hang

Array = npt.NDArray[np.float64]

# half of what a component of the wind changes by in so long: checks.md, 4.7 m/s rms
HANG_WIND_MS, HANG_WIND_S = 1.5, 7_200.0
_PRIOR_S = 3_600.0
_SHAPE = 2.0
_LONGEST_S = 10 * 3_600.0
_CLIMBS_ON = 0.25  # of floats, against those that are cut or burst where they are; no source
_RATE_SHARE = 0.3  # 1 sigma of a sink rate ahead
_SINKS_MS = -0.2  # slower than this is a float


class Hung(NamedTuple):
    """Each member's wait: shapes (members,)."""

    seconds: Array
    from_m: Array
    z_m: Array  # where it ends
    climbs_on: npt.NDArray[np.bool_]

    def by_layer_s(self, edges_m: Array) -> Array:
        """Seconds of it in each layer, shape (members, layers)."""
        low, high = np.minimum(self.from_m, self.z_m), np.maximum(self.from_m, self.z_m)
        flat = high - low < 1.0
        heights = np.clip(edges_m[None, :], low[:, None], high[:, None])
        share = np.diff(heights, axis=1) / np.maximum(high - low, 1.0)[:, None]
        layer = np.clip(np.searchsorted(edges_m, low, "right") - 1, 0, len(edges_m) - 2)
        share[flat] = 0.0
        share[flat, layer[flat]] = 1.0
        return np.asarray(share * self.seconds[:, None])


def drawn_hang(hang: Hang, from_m: Array, ground_m: float, seed: int) -> Hung:
    """A wait for each member of `from_m`, which has the shape (members,) and an even length."""
    chance = np.random.default_rng(seed)
    half = len(from_m) // 2
    drawn = chance.random(half)
    survives = np.clip(np.concatenate([drawn, 1.0 - drawn]), 1e-6, 1.0)
    scale_s = hang.lasted_s + _PRIOR_S
    seconds = np.minimum(scale_s * (survives ** (-1.0 / _SHAPE) - 1.0), _LONGEST_S)
    climbs_on = chance.random(len(from_m)) < _CLIMBS_ON
    if hang.rate_ms > _SINKS_MS:
        return Hung(seconds, from_m, from_m, climbs_on)
    speed_ms = -hang.rate_ms * np.exp(_RATE_SHARE * chance.standard_normal(len(from_m)))
    most_s = np.maximum(from_m - ground_m, 0.0) / speed_ms
    seconds = np.minimum(seconds, most_s)  # it sinks to the ground, if nothing comes before
    return Hung(seconds, from_m, from_m - seconds * speed_ms, np.zeros(len(from_m), dtype=bool))
