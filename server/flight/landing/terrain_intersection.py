"""Where falls meet ground that is not level: each member ends where it first comes down to it."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.ensemble import Members, Paths
from server.flight.landing.wind_covariance import LAYER_M

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Heights = Callable[[Array, Array], Array]  # of the ground at x, y of shape (n,); NaN: not known

_ROUNDS = 3
_ABOUT = 13  # places along each side of the square that is looked at
_LOWER_M = 300.0  # below the lowest ground that was looked at: valleys may lie between
_HIGHER_M = 200.0


class Relief(NamedTuple):
    """What the ground may be: known with one error, elsewhere taken as level with another; metres."""

    heights: Heights
    known_sigma_m: float
    elsewhere_m: float
    elsewhere_sigma_m: float


def span(relief: Relief, path: Array, apart_m: float) -> tuple[float, float]:
    """Lowest and highest ground that falls along `path` (x, y in its columns 1 and 2) may meet.

    Looked at on the path and `apart_m` about it and its end; multiples of a layer.
    """
    steps = apart_m * np.linspace(-1.0, 1.0, _ABOUT)
    around_x, around_y = (side.ravel() for side in np.meshgrid(steps, steps))
    beside = np.array([0.0, -apart_m / 2, apart_m / 2])
    x = np.concatenate([path[-1, 1] + around_x, (path[:, 1, None] + beside).ravel()])
    y = np.concatenate([path[-1, 2] + around_y, (path[:, 2, None] - beside).ravel()])
    ground = relief.heights(x, y)
    known = np.append(ground[~np.isnan(ground)], relief.elsewhere_m)
    error_m = 3 * relief.known_sigma_m
    if np.isnan(ground).any() or len(known) == 1:
        error_m = max(error_m, 3 * relief.elsewhere_sigma_m)
    low = np.floor((known.min() - error_m - _LOWER_M) / LAYER_M) * LAYER_M
    high = np.ceil((known.max() + error_m + _HIGHER_M) / LAYER_M) * LAYER_M
    return float(low), float(high)


def terrain_intersection(
    members: Members, paths: Paths, relief: Relief, highest_m: float
) -> Members:
    """The same falls, ended where each first meets the ground; `highest_m`: none is higher.

    `members` have fallen below all ground. Edges of the layers are looked at from the highest down, then
    the crossing is found between two of them.
    """
    count = len(members.x_m)

    def clearance(x: Array, y: Array, z: Array, of: Index) -> Array:
        ground = relief.heights(x, y)
        unknown = np.isnan(ground)
        ground = np.where(unknown, relief.elsewhere_m, ground)
        sigma_m = np.where(unknown, relief.elsewhere_sigma_m, relief.known_sigma_m)
        return np.asarray(z - ground - sigma_m * paths.ground_error[of])

    edges = np.minimum(paths.edges_m[None, :], members.burst_m[:, None])
    used = min(int(np.searchsorted(paths.edges_m, highest_m)), len(paths.edges_m) - 1)
    # before the bottom, at edges 1 to used
    back_s = np.cumsum(paths.fallen_s[:, :used], axis=1)
    back_x = np.cumsum(paths.fallen_s[:, :used] * paths.east_ms[:, :used], axis=1)
    back_y = np.cumsum(paths.fallen_s[:, :used] * paths.north_ms[:, :used], axis=1)
    each = np.arange(count)
    layer = np.zeros(count, dtype=np.int64)  # in which it touches down
    flying = np.ones(count, dtype=bool)
    for i in range(used - 1, 0, -1):  # edge i lies above layer i - 1
        of = np.flatnonzero(flying)
        x, y = members.x_m[of] - back_x[of, i - 1], members.y_m[of] - back_y[of, i - 1]
        met = of[clearance(x, y, edges[of, i], of) <= 0.0]
        layer[met], flying[met] = i, False
    before = np.maximum(layer - 1, 0)
    is_bottom = layer == 0
    x0 = members.x_m - np.where(is_bottom, 0.0, back_x[each, before])
    y0 = members.y_m - np.where(is_bottom, 0.0, back_y[each, before])
    s0 = members.after_s - np.where(is_bottom, 0.0, back_s[each, before])
    fallen_s = paths.fallen_s[each, layer]
    east_m, north_m = fallen_s * paths.east_ms[each, layer], fallen_s * paths.north_ms[each, layer]
    z0, z1 = edges[each, layer], edges[each, layer + 1]
    low, high = np.zeros(count), np.ones(count)  # shares of the layer, from below, that bracket it
    part = np.full(count, 0.5)
    slope = np.maximum(z1 - z0, 1.0)  # by which the clearance grows with it
    last_part, last = np.full(count, np.nan), np.full(count, np.nan)
    for _ in range(_ROUNDS):  # secants, kept within the bracket
        above = clearance(x0 - part * east_m, y0 - part * north_m, z0 + part * (z1 - z0), each)
        low, high = np.where(above <= 0.0, part, low), np.where(above > 0.0, part, high)
        moved = np.abs(part - last_part) > 1e-6
        slope = np.where(moved, (above - last) / np.where(moved, part - last_part, 1.0), slope)
        last_part, last = part, above
        aimed = part - above / np.where(np.abs(slope) > 1.0, slope, 1.0)
        part = np.where((aimed >= low) & (aimed <= high), aimed, (low + high) / 2)
    return members._replace(
        x_m=x0 - part * east_m,
        y_m=y0 - part * north_m,
        z_m=z0 + part * (z1 - z0),
        after_s=s0 - part * fallen_s,
    )
