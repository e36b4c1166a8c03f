"""The wind by height that one flight measures, and how sure it is when the box falls through it.

The wind is taken as a sum of a part that lasts (broad in height) and a part that fades (short in height,
stretched-exponential in time and distance, which makes its structure function grow with the 2/3 power of
time, as wind profilers see: Merceret 1997, J. Appl. Meteor. 36, 1567; a distance counts like the time that
the air takes over it). Both are Gaussian, so what was measured on
the way up, and again on the way down, gives the wind below by conditioning (Rasmussen and Williams 2006,
Gaussian Processes for Machine Learning, eq. 2.23 and 2.24). How much more or less than usual the wind
changes on this day is told by the layers that were crossed twice. Constants fitted on the real flights
by the likelihood of where they landed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.legs import legs
from server.flight.landing.wind_covariance import (
    EDGES_M,
    LAYER_M,
    Places,
    Shape,
    WindConstants,
    covariance_between,
    unrest_by_height,
)

Array = npt.NDArray[np.float64]


class WindSamples(NamedTuple):
    """Mean winds of layers as flown: shapes (n,), a layer's index, seconds, m/s, metres in the frame."""

    layer: npt.NDArray[np.int64]
    time_s: Array
    east_ms: Array
    north_ms: Array
    sigma_ms: Array
    x_m: Array
    y_m: Array


class Forecasts(NamedTuple):
    """What was forecast, m/s towards east and north: for each sample, and for each layer asked for."""

    seen_ms: tuple[Array, Array]
    ahead_ms: tuple[Array, Array]
    spread: Shape | None = (
        None  # altitudes, and 1 sigma of a component there, by an ensemble's members
    )


class WindProfile(NamedTuple):
    """Mean of each component by layer and their common covariance, at the times that were asked."""

    east_ms: Array
    north_ms: Array
    covariance: Array  # (m, m), m²/s²


_FASTEST_MS = 130.0
# over longer legs the wind of a layer differs from the mean of what was crossed, by so much for each root
# of a kilometre (checks.md: 7.2 m/s between layers 1 km apart)
_THICK_S, _THICK_SIGMA_MS = 200.0, 2.9
_PAD_M, _PAD_RATE_MS = 100.0, 0.5  # what lies still near the ground has met no wind


def samples(
    time_s: Array,
    x_m: Array,
    y_m: Array,
    z_m: Array,
    tracker: npt.NDArray[np.int64],
    position_sigma_m: float = 10.0,
    turn_per_m: float = 0.0,
) -> WindSamples:
    """Layer means from the displacement between fixes of one tracker (`legs`).

    The way up and the way down are kept apart. Fixes are in order of time; shapes (n,). Components
    are by true north where `turn_per_m` says how the frame's y axis turns from it with x.
    """
    i, j = legs(time_s, tracker)
    if len(i) == 0:
        return _empty()
    dt, rise = time_s[j] - time_s[i], z_m[j] - z_m[i]
    east_ms, north_ms = turned(
        (x_m[j] - x_m[i]) / dt, (y_m[j] - y_m[i]) / dt, -turn_per_m * (x_m[i] + x_m[j]) / 2
    )
    thick = np.where(dt > _THICK_S, np.sqrt(np.abs(rise) / 1_000.0), 0.0)
    error = np.hypot(np.sqrt(2.0) * position_sigma_m / dt, _THICK_SIGMA_MS * thick)
    middle_x, middle_y = (x_m[i] + x_m[j]) / 2, (y_m[i] + y_m[j]) / 2
    rows = np.column_stack(
        [time_s[i] + dt / 2, east_ms, north_ms, z_m[i], z_m[j], error, middle_x, middle_y]
    )
    lies = (np.abs(rise) < _PAD_RATE_MS * dt) & (z_m[j] < z_m.min() + _PAD_M)
    rows = rows[~lies & (np.hypot(east_ms, north_ms) < _FASTEST_MS)]
    rising = rows[:, 4] >= rows[:, 3]
    both = [_layer_means(rows[side]) for side in (rising, ~rising)]
    return WindSamples(*(np.concatenate(column) for column in zip(*both, strict=True)))


def turned(east_ms: Array, north_ms: Array, left_rad: Array) -> tuple[Array, Array]:
    """Wind vectors turned to the left."""
    cosine, sine = np.cos(left_rad), np.sin(left_rad)
    return cosine * east_ms - sine * north_ms, sine * east_ms + cosine * north_ms


def _layer_means(rows: Array) -> WindSamples:
    if len(rows) == 0:
        return _empty()
    low, high = np.minimum(rows[:, 3], rows[:, 4]), np.maximum(rows[:, 3], rows[:, 4])
    thickness = np.maximum(high - low, 1.0)
    overlap = np.minimum(high[:, None], EDGES_M[None, 1:]) - np.maximum(
        low[:, None], EDGES_M[None, :-1]
    )
    share = np.clip(overlap, 0.0, None) / thickness[:, None]
    weight = share / (rows[:, 5] ** 2)[:, None]
    total = weight.sum(axis=0)
    used = np.flatnonzero(total > 0.0)
    weight = weight[:, used] / total[used]
    return WindSamples(
        used,
        rows[:, 0] @ weight,
        rows[:, 1] @ weight,
        rows[:, 2] @ weight,
        1.0 / np.sqrt(np.maximum(total[used], 1e-6)),
        rows[:, 6] @ weight,
        rows[:, 7] @ weight,
    )


def _empty() -> WindSamples:
    none = np.empty(0)
    return WindSamples(np.empty(0, dtype=np.int64), none, none, none, none, none, none)


def profile(
    seen: WindSamples,
    layer: npt.NDArray[np.int64],
    time_s: Array,
    place_m: tuple[Array, Array],
    ground_m: float,
    constants: WindConstants | None = None,
) -> WindProfile:
    """The wind of `layer` at `time_s` and `place_m` (x, y), shapes (m,), given what was seen."""
    c = constants or WindConstants()
    wanted = Places(layer, time_s, unrest_by_height(layer, ground_m, c), *place_m)
    given = Places(
        seen.layer, seen.time_s, unrest_by_height(seen.layer, ground_m, c), seen.x_m, seen.y_m
    )
    prior = covariance_between(wanted, wanted, c)
    if len(seen.layer) == 0:
        calm = np.zeros(len(layer))
        return WindProfile(calm, calm, prior)
    noise = seen.sigma_ms**2 + c.sampling_sigma_ms**2
    among = covariance_between(given, given, c) + np.diag(noise)
    across = covariance_between(wanted, given, c)
    inner = np.linalg.solve(among, np.column_stack([across.T, seen.east_ms, seen.north_ms]))
    covariance = prior - across @ inner[:, :-2]
    return WindProfile(
        across @ inner[:, -2], across @ inner[:, -1], (covariance + covariance.T) / 2
    )


def apart_from(expected: Forecasts, seen: WindSamples) -> WindSamples:
    """What was seen less what was expected there and then."""
    east_ms, north_ms = expected.seen_ms
    return seen._replace(east_ms=seen.east_ms - east_ms, north_ms=seen.north_ms - north_ms)


def profile_about(
    expected: Forecasts,
    seen: WindSamples,
    layer: npt.NDArray[np.int64],
    time_s: Array,
    place_m: tuple[Array, Array],
    ground_m: float,
    constants: WindConstants,
) -> WindProfile:
    """As `profile`, by the same conditioning of how the wind differs from what is expected."""
    east, north = expected.ahead_ms
    apart = apart_from(expected, seen)
    error = profile(apart, layer, time_s, place_m, ground_m, constants)
    return error._replace(east_ms=error.east_ms + east, north_ms=error.north_ms + north)


def crossed_twice(seen: WindSamples) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Which samples are of the first and of the second passage of a layer, from the lowest up."""
    order = np.lexsort((seen.time_s, seen.layer))
    twice = np.flatnonzero(np.diff(seen.layer[order]) == 0)
    return order[twice], order[twice + 1]


def unrest_of_day(seen: WindSamples, ground_m: float, constants: WindConstants) -> float:
    """Variance of the wind's change between the way up and the way down, over what is usual.

    Of means over a kilometre, in which the errors of the fixes average out. Scale of the posterior of
    a normal variance under its conjugate prior, of which `usual_weight` is the count (Gelman et al.
    2013, Bayesian Data Analysis, ch. 2.6). At least 1: that it was calm above does not promise that it
    is below, and 1 while no kilometre was crossed twice.
    """
    c = constants
    up, down = crossed_twice(seen)
    layer = seen.layer[up]
    away_m = np.hypot(seen.x_m[down] - seen.x_m[up], seen.y_m[down] - seen.y_m[up])
    apart_s = np.hypot(seen.time_s[down] - seen.time_s[up], away_m / c.advection_ms)
    lost = 1.0 - np.exp(-((apart_s / c.fading_time_s) ** (2.0 / 3.0)))
    fading = 2 * (c.fading_sigma_ms * unrest_by_height(layer, ground_m, c)) ** 2 * lost
    noise = 2 * c.sampling_sigma_ms**2 + seen.sigma_ms[up] ** 2 + seen.sigma_ms[down] ** 2
    changes = np.column_stack(
        [seen.east_ms[down] - seen.east_ms[up], seen.north_ms[down] - seen.north_ms[up]]
    )
    block, of_block, count = np.unique(layer // _BLOCK, return_inverse=True, return_counts=True)
    whole = count == _BLOCK
    if not whole.any():
        return 1.0

    def means(values: Array) -> Array:
        return np.asarray(np.bincount(of_block, values, len(block))[whole] / _BLOCK)

    apart_m = LAYER_M * np.abs(np.subtract.outer(np.arange(_BLOCK), np.arange(_BLOCK)))
    usual = means(fading) * np.exp(-apart_m / c.fading_height_m).mean() + means(noise) / _BLOCK
    shown = (means(changes[:, 0]) ** 2 + means(changes[:, 1]) ** 2) / 2 / usual
    unrest = float((c.usual_weight + shown.sum()) / (c.usual_weight + whole.sum()))
    return max(unrest, 1.0)


_BLOCK = 4  # layers to a kilometre
