"""Many falls at once: each member draws wind, fall speed, burst and ground, and falls to the ground."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.climb import Climb, climb_integral
from server.flight.landing.descent import Fall, fall_integral
from server.flight.landing.hang import HANG_WIND_MS, HANG_WIND_S, drawn_hang
from server.flight.landing.question import Hang
from server.flight.landing.wind_covariance import EDGES_M, LAYER_M, LAYERS
from server.flight.landing.winds import WindProfile

Array = npt.NDArray[np.float64]


class Start(NamedTuple):
    """Where the members begin; standard deviations of 1 sigma, metres and m/s."""

    x_m: float
    y_m: float
    z_m: float
    sigma_h_m: float
    sigma_v_m: float


_OTHER_DRAWS = 1 << 40  # a seed of their own for waits, so that without one all draws stay the same


class Members(NamedTuple):
    """Landings: shapes (members,), metres in the frame, metres above sea level, seconds from now."""

    x_m: Array
    y_m: Array
    z_m: Array
    after_s: Array
    burst_m: Array
    fall_constant: Array


class Paths(NamedTuple):
    """The falls themselves, by member and layer: shape (members, layers), but where another is named."""

    edges_m: Array  # of the layers, shape (layers + 1,)
    fallen_s: Array
    east_ms: Array
    north_ms: Array
    ground_error: Array  # of the ground's height, in standard deviations, shape (members,)


def passage_s(start_m: float, climb: Climb | None, fall_constant: float) -> Array:
    """Seconds from now until each layer is fallen through, shape (LAYERS,)."""
    middle = EDGES_M[:-1] + LAYER_M / 2
    top_m, wait_s = start_m, 0.0
    if climb is not None:
        top_m = climb.burst_m(start_m)
        wait_s = climb.seconds(start_m, top_m)
    drop = fall_integral(top_m) - fall_integral(np.minimum(middle, top_m))
    return np.asarray(wait_s + drop / fall_constant)


def fall(
    start: Start,
    climb: Climb | None,
    wind: WindProfile,
    fall_speed: Fall,
    ground_m: float,
    ground_sigma_m: float,
    tail_degrees: float,
    members: int,
    seed: int,
    hang: Hang | None = None,
) -> tuple[Members, Paths]:
    """Members down to a level ground, and the ways they took, on which other ground can be met.

    `wind` holds all LAYERS layers. Half of the members mirror the draws of the other half. With a
    `hang` the balloon carries each member on for a time of its own, before it climbs on or is let go.
    """
    chance = np.random.default_rng(seed)
    half = members // 2

    def normal(*shape: int) -> Array:
        drawn = chance.standard_normal((half, *shape))
        return np.asarray(np.concatenate([drawn, -drawn]))

    top_m = np.full(2 * half, start.z_m) + start.sigma_v_m * normal()
    wait_s = np.zeros(2 * half)
    burst_m = top_m
    hung = None
    if hang is not None:
        hung = drawn_hang(hang, top_m, ground_m, seed ^ _OTHER_DRAWS)
        wait_s, top_m = hung.seconds, hung.z_m
        burst_m = top_m
    if climb is not None:
        above = chance.random(half)
        burst_m = climb.drawn_burst_m(start.z_m, np.concatenate([above, 1.0 - above]))
        burst_m = np.maximum(burst_m, top_m)
        if hung is not None:
            burst_m = np.where(hung.climbs_on, burst_m, top_m)
        rate_ms = np.maximum(climb.rate_ms + climb.rate_sigma_ms * normal(), 0.5)
        wait_s = wait_s + (climb_integral(burst_m) - climb_integral(top_m)) / rate_ms
    which = np.searchsorted(np.cumsum(fall_speed.weights)[:-1], chance.random(2 * half))
    k = np.exp(np.array(fall_speed.means)[which] + np.array(fall_speed.sigmas)[which] * normal())
    ground_error = normal()
    z = np.minimum(ground_m + ground_sigma_m * ground_error, burst_m)

    lowest = min(max(int(np.floor(z.min() / LAYER_M)), 0), LAYERS - 1)
    upmost_m = max(float(burst_m.max()), start.z_m + LAYER_M if hung is not None else -math.inf)
    highest = max(min(int(np.ceil(upmost_m / LAYER_M)), LAYERS), lowest + 1)
    span = slice(lowest, highest)
    # seconds that each member spends in each layer, shape (members, layers)
    edges = EDGES_M[lowest : highest + 1].copy()
    edges[0] = min(edges[0], z.min())  # the lowest layer goes on below the sea, the highest above
    edges[-1] = max(edges[-1], upmost_m)
    ends = fall_integral(z)[:, None], fall_integral(burst_m)[:, None]
    fallen_s = np.diff(np.clip(fall_integral(edges)[None, :], *ends), axis=1) / k[:, None]
    seconds = fallen_s
    if climb is not None:
        limits = climb_integral(top_m)[:, None], climb_integral(burst_m)[:, None]
        climbed = np.clip(climb_integral(edges)[None, :], *limits)
        seconds = fallen_s + np.diff(climbed, axis=1) / rate_ms[:, None]
    if hung is not None:
        seconds = seconds + hung.by_layer_s(edges)
    root = _square_root(wind.covariance[span, span])
    layers = highest - lowest
    spread = np.sqrt(
        (tail_degrees - 2) / chance.chisquare(tail_degrees, (half, 1))
    )  # Student's t, its variance 1

    def gusty(mean_ms: Array) -> Array:
        found = np.empty((2 * half, layers))  # megabytes: filled in place
        drawn, mirrored = found[:half], found[half:]
        np.matmul(chance.standard_normal((half, layers)), root.T, out=drawn)
        drawn *= spread
        np.negative(drawn, out=mirrored)
        found += mean_ms
        return found

    east, north = gusty(wind.east_ms[span]), gusty(wind.north_ms[span])
    from_x = start.x_m + start.sigma_h_m * normal()
    from_y = start.y_m + start.sigma_h_m * normal()
    x = from_x + np.einsum("ml,ml->m", seconds, east)
    y = from_y + np.einsum("ml,ml->m", seconds, north)
    if hung is not None:  # the wind of later is not that of now
        later_ms = HANG_WIND_MS * np.sqrt(np.minimum(hung.seconds, HANG_WIND_S) / HANG_WIND_S)
        x = x + later_ms * hung.seconds * normal()
        y = y + later_ms * hung.seconds * normal()
    drop_s = (fall_integral(burst_m) - fall_integral(z)) / k
    members_ = Members(x, y, z, wait_s + drop_s, burst_m, k)
    return members_, Paths(edges, fallen_s, east, north, ground_error)


def _square_root(covariance: Array) -> Array:
    """Lower triangular; a little is added to the diagonal where rounding has made it indefinite."""
    size = len(covariance)
    try:
        return np.asarray(np.linalg.cholesky(covariance + 1e-6 * np.eye(size)))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(covariance)
        return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def mean_path(
    start: Start,
    climb: Climb | None,
    wind: WindProfile,
    fall_constant: float,
    ground_m: float,
) -> Array:
    """The path of mean winds: rows of seconds from now, x, y, z, shape (n, 4); no chance in it."""
    between = EDGES_M[1:-1]
    top_m = start.z_m if climb is None else max(climb.burst_m(start.z_m), start.z_m)
    up_m = np.array([start.z_m])
    up_s = np.empty(0)
    if climb is not None and top_m > start.z_m:
        passed = between[(between > start.z_m) & (between < top_m)]
        up_m = np.concatenate([up_m, passed, [top_m]])
        up_s = np.diff(climb_integral(up_m)) / climb.rate_ms
    down_m, down_s = up_m[-1:], np.empty(0)
    if top_m > ground_m:
        passed = between[(between > ground_m) & (between < top_m)]
        down_m = np.concatenate([down_m, passed[::-1], [ground_m]])
        down_s = -np.diff(fall_integral(down_m)) / fall_constant
    rising = np.floor(up_m[:-1] / LAYER_M)
    falling = np.ceil(down_m[:-1] / LAYER_M) - 1.0
    layer = np.clip(np.concatenate([rising, falling]), 0, LAYERS - 1).astype(np.int64)
    took_s = np.concatenate([up_s, down_s])
    return np.column_stack(
        [
            np.cumsum(np.append(0.0, took_s)),
            np.cumsum(np.append(start.x_m, wind.east_ms[layer] * took_s)),
            np.cumsum(np.append(start.y_m, wind.north_ms[layer] * took_s)),
            np.concatenate([up_m, down_m[1:]]),
        ]
    )
