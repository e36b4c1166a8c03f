"""Radio horizon over an earth of 4/3 radius, with the ground in between where it is known.

k = 4/3 as in ITU-R P.310. Line of sight over a profile of the ground: heights are set against the
bulge of the effective earth, as path profiles are drawn. Diffraction is
left out, so contact often lasts a little longer than is said here.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

EFFECTIVE_EARTH_RADIUS_M = 6_371_000.0 * 4 / 3
CAR_ANTENNA_M = 2.0  # above the road; common practice, no source
PROFILE_POINTS = 200
# terrain is looked at so often that no ridge is stepped over
RIDGE_M, MOST_POINTS = 200.0, 1_000
_GRAZES_M = 3.0  # a payload that goes out of sight lower than this is on the ground


def horizon_m(height_a_m: float, height_b_m: float) -> float:
    """Greatest distance of a grazing path between two heights above ground: 4.12 km (√a + √b)."""
    return math.sqrt(2 * EFFECTIVE_EARTH_RADIUS_M) * (
        math.sqrt(max(height_a_m, 0.0)) + math.sqrt(max(height_b_m, 0.0))
    )


def lowest_visible_m(distance_m: Any, antenna_m: float) -> Any:
    """Height above smooth ground below which a payload that far away is out of sight: scalars or arrays."""
    beyond_m = np.maximum(distance_m - horizon_m(antenna_m, 0.0), 0.0)
    return beyond_m * beyond_m / (2 * EFFECTIVE_EARTH_RADIUS_M)


class Horizon(NamedTuple):
    """What a receiver can see along one direction. Altitudes in metres above mean sea level."""

    distance_m: Array  # rising, shape (n,)
    lowest_m: Array  # altitude below which a payload at that distance is out of sight, (n,)
    ground_m: Array  # (n,)

    def at(self, distance_m: Array | float) -> Array:
        return np.asarray(np.interp(distance_m, self.distance_m, self.lowest_m))


def over_smooth_ground(reach_m: float, antenna_m: float, ground_m: float) -> Horizon:
    """The textbook's formula at `PROFILE_POINTS` distances up to `reach_m`."""
    distance_m = np.linspace(0.0, max(reach_m, 1.0), PROFILE_POINTS)
    lowest_m = ground_m + lowest_visible_m(distance_m, antenna_m)
    return Horizon(distance_m, lowest_m, np.full(PROFILE_POINTS, ground_m))


def over_profile(distance_m: Array, ground_m: Array, antenna_m: float) -> Horizon:
    """Over a profile of the ground: distances rise from 0 at the receiver; shapes (n,)."""
    eye_m = float(ground_m[0]) + antenna_m
    away_m = distance_m[1:]
    bulge_m = away_m**2 / (2 * EFFECTIVE_EARTH_RADIUS_M)
    slope = (ground_m[1:] - bulge_m - eye_m) / away_m
    lowest_m = eye_m + np.maximum.accumulate(slope) * away_m + bulge_m
    return Horizon(distance_m, np.concatenate([ground_m[:1], lowest_m]), ground_m)


class ContactLoss(NamedTuple):
    time_s: float
    altitude_m: float
    height_above_ground_m: float


def contact_lost(
    path: Array, receiver_xy_m: tuple[float, float], horizon: Horizon
) -> ContactLoss | None:
    """Where a falling path (rows time, x, y, altitude) goes below the receiver's horizon for good.

    None: contact holds to the ground.
    """
    if len(path) == 0:
        return None
    falling = path[int(np.argmax(path[:, 3])) :]
    steps = np.linspace(0.0, len(falling) - 1.0, 8 * len(falling))
    columns = [np.interp(steps, np.arange(len(falling)), falling[:, i]) for i in range(4)]
    time_s, x_m, y_m, z_m = columns
    away_m = np.hypot(x_m - receiver_xy_m[0], y_m - receiver_xy_m[1])
    hidden = z_m < horizon.at(away_m)
    if not hidden[-1]:
        return None
    first = len(hidden) - int(np.argmin(hidden[::-1])) if not hidden.all() else 0
    height_m = float(z_m[first] - np.interp(away_m[first], horizon.distance_m, horizon.ground_m))
    if height_m < _GRAZES_M:
        return None
    return ContactLoss(float(time_s[first]), float(z_m[first]), height_m)
