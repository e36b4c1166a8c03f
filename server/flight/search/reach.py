"""The chance that a receiver hears one packet from a place: sight over the ground, distance, its record.

Sight is the radio horizon of `chase.horizon` (ITU-R P.310, k = 4/3) over the terrain where it is known.
On the ground the field falls with the fourth power of the distance (two-ray propagation over plane
earth, Rappaport, Wireless Communications, section 4.6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from server.flight.chase.horizon import (
    CAR_ANTENNA_M,
    EFFECTIVE_EARTH_RADIUS_M,
    horizon_m,
    over_profile,
)
from server.flight.landing.question import Terrain
from server.flight.physics.geodesy import LocalFrame

Array = npt.NDArray[np.float64]

SECTORS, POINTS = 48, 150
BOX_ANTENNA_M = 0.5  # lying on its side; our choice
# where half of the packets of a box on open ground are heard: two-ray loss between antennas at 1 m (the
# formula's lowest) and 2 m, 0.3 to 1 W, 20 dB for an antenna that lies, -112 dBm for a packet of 1200
# baud: 1.5 to 2 km (the last two: common practice, no source)
GROUND_RANGE_M = 1_700.0
WEAK_RANGE_M = 600.0  # the same of one whose antenna is torn, some 15 dB less; our choice
_HANGING = 10.0 ** (20.0 / 40.0)  # of the distance: while it falls its antenna does not lie
# of the distance: 40 dB a decade, packets that fade by 4 to 5 dB (1 sigma) about their place's mean, and that
# mean, which differs from place to place by 4 to 5.5 dB (ITU-R P.1546 has 5.5; from memory)
FADES = 4.5
_SOFT_M = 12.0  # of height about the horizon: diffraction and the ground's own doubt; our choice
_SOFT_SHARE = 0.08  # of the height that is hidden
# so many of these heights below the edge half is heard: at the edge itself bending costs 6 dB (ITU-R P.526),
# which a packet can bear, and open ground is all edge
_BELOW_EDGE = 2.5


@dataclass(frozen=True, slots=True)
class Ground:
    """Heights above mean sea level in the frame; one altitude where no terrain tells."""

    frame: LocalFrame
    terrain: Terrain | None
    usual_m: float

    def at(self, x_m: Array, y_m: Array) -> Array:
        if self.terrain is None:
            return np.full(np.shape(x_m), self.usual_m)
        found = self.terrain.heights(*self.frame.to_latlon(x_m, y_m))
        return np.where(np.isnan(found), self.usual_m, found)


class Viewpoint:
    """What can be seen from one place, in all directions up to `reach_m`."""

    def __init__(
        self,
        ground: Ground,
        x_m: float,
        y_m: float,
        reach_m: float,
        antenna_m: float = CAR_ANTENNA_M,
    ) -> None:
        self.x_m, self.y_m = x_m, y_m
        here_m = float(ground.at(np.array([x_m]), np.array([y_m]))[0])
        self._ground_m, self._antenna_m = here_m, antenna_m
        self._distance_m = np.linspace(0.0, max(reach_m, 1_000.0), POINTS)
        self._lowest_m: Array | None = None  # by sector and distance; None: the ground is smooth
        if ground.terrain is not None:
            angle = np.arange(SECTORS) * 2.0 * math.pi / SECTORS
            heights = ground.at(
                x_m + np.outer(np.sin(angle), self._distance_m),
                y_m + np.outer(np.cos(angle), self._distance_m),
            )
            rows = [over_profile(self._distance_m, row, antenna_m).lowest_m for row in heights]
            self._lowest_m = np.array(rows)

    def sight(self, x_m: Array, y_m: Array, altitude_m: Array) -> Array:
        """From 0, far below the horizon, to 1, far above it; shape (n,)."""
        away_m = np.hypot(x_m - self.x_m, y_m - self.y_m)
        hidden_m = self._lowest_at(away_m, x_m, y_m) - altitude_m
        soft_m = _SOFT_M + _SOFT_SHARE * np.abs(hidden_m)
        past = np.clip(hidden_m / soft_m - _BELOW_EDGE, -40.0, 40.0)
        return np.asarray(1.0 / (1.0 + np.exp(past)))

    def _lowest_at(self, away_m: Array, x_m: Array, y_m: Array) -> Array:
        """Altitude below which a box is out of sight."""
        if self._lowest_m is None:
            beyond_m = np.maximum(away_m - horizon_m(self._antenna_m, 0.0), 0.0)
            return np.asarray(self._ground_m + beyond_m**2 / (2.0 * EFFECTIVE_EARTH_RADIUS_M))
        step = (np.arctan2(x_m - self.x_m, y_m - self.y_m) / (2.0 * math.pi)) % 1.0
        at = np.minimum(away_m / self._distance_m[1], len(self._distance_m) - 1.001)
        low = at.astype(int)
        lowest_m = np.zeros(len(x_m))
        for sector, share in _beside(step * SECTORS, SECTORS):
            left, right = self._lowest_m[sector, low], self._lowest_m[sector, low + 1]
            lowest_m += share * (left + (right - left) * (at - low))
        return lowest_m

    def chance(
        self, x_m: Array, y_m: Array, altitude_m: Array, on_ground: Array, rate: float
    ) -> Array:
        """That one packet is heard; `on_ground` (bool) and the others of shape (n,)."""
        away_m = np.hypot(x_m - self.x_m, y_m - self.y_m)
        near = by_distance(away_m, GROUND_RANGE_M)
        return np.asarray(rate * self.sight(x_m, y_m, altitude_m) * np.where(on_ground, near, 1.0))


def by_distance(away_m: Array, half_m: float | Array) -> Array:
    """The share of packets that is heard over open ground; half of them at `half_m`."""
    return np.asarray(1.0 / (1.0 + (away_m / half_m) ** FADES))


def weak_range_m(height_m: Array) -> Array:
    """Where half of the packets of a torn antenna are heard, by its height above ground.

    Over plane earth the field grows with the antenna's height; 0: it lies there.
    """
    hanging_m = WEAK_RANGE_M * _HANGING * np.sqrt(np.maximum(height_m, 1.0))
    return np.asarray(np.where(height_m > 0.0, hanging_m, WEAK_RANGE_M))


def _beside(at: Array, rows: int) -> list[tuple[npt.NDArray[np.int64], Array]]:
    """The two sectors beside a direction, with what each counts for."""
    low = np.floor(at).astype(np.int64)
    part = at - low
    return [(low % rows, 1.0 - part), ((low + 1) % rows, part)]


def reach_m(altitude_above_ground_m: float) -> float:
    """So far a place must be looked at for a box that high."""
    return (
        math.sqrt(2.0 * EFFECTIVE_EARTH_RADIUS_M)
        * (math.sqrt(max(altitude_above_ground_m, 0.0)) + math.sqrt(CAR_ANTENNA_M))
        + 5_000.0
    )
