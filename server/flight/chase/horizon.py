"""Radio horizon over a smooth earth of 4/3 radius (k = 4/3 as in ITU-R P.310)."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

EFFECTIVE_EARTH_RADIUS_M = 6_371_000.0 * 4 / 3
CAR_ANTENNA_M = 2.0  # above the road; common practice, no source


def horizon_m(height_a_m: float, height_b_m: float) -> float:
    """Greatest distance of a grazing path between two heights above ground: 4.12 km (√a + √b)."""
    return math.sqrt(2 * EFFECTIVE_EARTH_RADIUS_M) * (
        math.sqrt(max(height_a_m, 0.0)) + math.sqrt(max(height_b_m, 0.0))
    )


def lowest_visible_m(distance_m: float, antenna_m: float) -> float:
    """Height above ground below which a payload that far away is out of sight."""
    beyond_m = max(distance_m - horizon_m(antenna_m, 0.0), 0.0)
    return beyond_m * beyond_m / (2 * EFFECTIVE_EARTH_RADIUS_M)


class ContactLoss(NamedTuple):
    time_s: float
    altitude_m: float
    height_above_ground_m: float


def contact_lost(
    path: Array, receiver_xy_m: tuple[float, float], receiver_height_m: float, ground_m: float
) -> ContactLoss | None:
    """Where a falling path (rows time, x, y, altitude) goes below the receiver's horizon for good."""
    if len(path) == 0:
        return None
    falling = path[int(np.argmax(path[:, 3])) :]
    steps = np.linspace(0.0, len(falling) - 1.0, 4 * len(falling))
    columns = [np.interp(steps, np.arange(len(falling)), falling[:, i]) for i in range(4)]
    time_s, x_m, y_m, z_m = columns
    away_m = np.hypot(x_m - receiver_xy_m[0], y_m - receiver_xy_m[1])
    for t, d, z in zip(time_s.tolist(), away_m.tolist(), z_m.tolist(), strict=True):
        height_m = z - ground_m
        if height_m < lowest_visible_m(d, receiver_height_m):
            return ContactLoss(t, z, height_m)
    return None
