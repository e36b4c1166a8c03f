"""Many falls at once: each member draws wind, fall speed, burst and ground, and falls to the ground."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.descent import Fall, fall_integral
from server.flight.landing.winds import EDGES_M, LAYER_M, LAYERS, WindProfile

Array = npt.NDArray[np.float64]


class Start(NamedTuple):
    """Where the members begin; standard deviations of 1 sigma, metres and m/s."""

    x_m: float
    y_m: float
    z_m: float
    sigma_h_m: float
    sigma_v_m: float


class Climb(NamedTuple):
    """What is still to be climbed before the burst."""

    rate_ms: float
    rate_sigma_ms: float
    burst_altitude_m: float
    burst_sigma_m: float


class Members(NamedTuple):
    """Landings: shapes (members,), metres in the frame, metres above sea level, seconds from now."""

    x_m: Array
    y_m: Array
    z_m: Array
    after_s: Array
    burst_m: Array
    east_ms: Array  # wind at the ground
    north_ms: Array
    fall_constant: Array


def passage_s(start_m: float, climb: Climb | None, fall_constant: float) -> Array:
    """Seconds from now until each layer is fallen through, shape (LAYERS,)."""
    middle = EDGES_M[:-1] + LAYER_M / 2
    top_m, wait_s = start_m, 0.0
    if climb is not None:
        top_m = max(climb.burst_altitude_m, start_m)
        wait_s = (top_m - start_m) / climb.rate_ms
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
) -> Members:
    """`wind` holds all LAYERS layers. Half of the members mirror the draws of the other half."""
    chance = np.random.default_rng(seed)
    half = members // 2

    def normal(*shape: int) -> Array:
        drawn = chance.standard_normal((half, *shape))
        return np.asarray(np.concatenate([drawn, -drawn]))

    top_m = np.full(2 * half, start.z_m) + start.sigma_v_m * normal()
    wait_s = np.zeros(2 * half)
    burst_m = top_m
    if climb is not None:
        burst_m = np.maximum(
            climb.burst_altitude_m + climb.burst_sigma_m * np.abs(normal()) * _signs(half), top_m
        )
        rate_ms = np.maximum(climb.rate_ms + climb.rate_sigma_ms * normal(), 0.5)
        wait_s = (burst_m - top_m) / rate_ms
    which = np.searchsorted(np.cumsum(fall_speed.weights)[:-1], chance.random(2 * half))
    k = np.exp(np.array(fall_speed.means)[which] + np.array(fall_speed.sigmas)[which] * normal())
    z = np.minimum(ground_m + ground_sigma_m * normal(), burst_m)

    highest = min(int(np.ceil(burst_m.max() / LAYER_M)), LAYERS)
    lowest = max(int(np.floor(z.min() / LAYER_M)), 0)
    span = slice(lowest, highest)
    # seconds that each member spends in each layer, shape (members, layers)
    edges = EDGES_M[lowest : highest + 1]
    ends = fall_integral(z)[:, None], fall_integral(burst_m)[:, None]
    seconds = np.diff(np.clip(fall_integral(edges)[None, :], *ends), axis=1) / k[:, None]
    if climb is not None:
        height = np.clip(edges[None, :], top_m[:, None], burst_m[:, None])
        seconds += np.diff(height, axis=1) / rate_ms[:, None]
    root = _square_root(wind.covariance[span, span])
    layers = highest - lowest
    spread = np.sqrt(
        (tail_degrees - 2) / chance.chisquare(tail_degrees, (half, 1))
    )  # Student's t, its variance 1

    def gusts() -> Array:
        drawn = chance.standard_normal((half, layers)) @ root.T * spread
        return np.asarray(np.concatenate([drawn, -drawn]))

    east, north = wind.east_ms[span] + gusts(), wind.north_ms[span] + gusts()
    x = start.x_m + start.sigma_h_m * normal() + np.einsum("ml,ml->m", seconds, east)
    y = start.y_m + start.sigma_h_m * normal() + np.einsum("ml,ml->m", seconds, north)
    drop_s = (fall_integral(burst_m) - fall_integral(z)) / k
    bottom = np.clip((z // LAYER_M).astype(int) - lowest, 0, layers - 1)
    each = np.arange(2 * half)
    after_s = wait_s + drop_s
    return Members(x, y, z, after_s, burst_m, east[each, bottom], north[each, bottom], k)


def meet_ground(members: Members, ground_m: Array) -> Members:
    """The same falls, ended at another height each: on with the wind at the ground, or back."""
    z = np.minimum(ground_m, members.burst_m)
    more_s = (fall_integral(members.z_m) - fall_integral(z)) / members.fall_constant
    return members._replace(
        x_m=members.x_m + members.east_ms * more_s,
        y_m=members.y_m + members.north_ms * more_s,
        z_m=z,
        after_s=members.after_s + more_s,
    )


def _signs(half: int) -> Array:
    signs = np.ones(2 * half)
    signs[half:] = -1.0
    return signs


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
    rows = [(0.0, start.x_m, start.y_m, start.z_m)]
    after_s, x, y, z = rows[0]
    if climb is not None:
        while z < climb.burst_altitude_m:
            layer = min(max(int(z // LAYER_M), 0), LAYERS - 1)
            upper_m = min((layer + 1) * LAYER_M, climb.burst_altitude_m)
            if layer == LAYERS - 1:
                upper_m = climb.burst_altitude_m
            dt = (upper_m - z) / climb.rate_ms
            x, y = x + wind.east_ms[layer] * dt, y + wind.north_ms[layer] * dt
            after_s, z = after_s + dt, upper_m
            rows.append((after_s, x, y, z))
    while z > ground_m:
        layer = min(max(int(np.ceil(z / LAYER_M)) - 1, 0), LAYERS - 1)
        lower_m = max(layer * LAYER_M, ground_m) if layer > 0 else ground_m
        dt = float(fall_integral(z) - fall_integral(lower_m)) / fall_constant
        x, y = x + wind.east_ms[layer] * dt, y + wind.north_ms[layer] * dt
        after_s, z = after_s + dt, lower_m
        rows.append((after_s, x, y, z))
    return np.array(rows)
