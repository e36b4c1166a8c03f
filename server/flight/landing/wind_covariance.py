"""The covariance of the wind between layers, times and places: the Gaussian process' kernel.

A part that lasts (broad in height) and a part that fades (short in height, stretched-exponential in time
and distance), as winds.py tells; a distance counts like the time that the air takes over it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


LAYER_M = 250.0
LAYERS = 160  # to 40 km
EDGES_M: Array = np.arange(LAYERS + 1, dtype=np.float64) * LAYER_M
CENTRES_M: Array = EDGES_M[:-1] + LAYER_M / 2
Shape = tuple[tuple[float, float], ...]  # altitudes above sea level, and factors there
# how far the winds of a day are from the season's (`season`), one component over 10 m/s: root mean squares
# of 34 days of real flights, both components, a fifth more for other places than theirs
_CLIMATE: Shape = (
    (0.0, 0.66), (4_000.0, 0.9), (6_000.0, 1.24), (8_000.0, 1.52), (10_000.0, 1.73), (12_000.0, 1.58),
    (14_000.0, 1.27), (16_000.0, 0.84), (18_000.0, 0.6), (20_500.0, 0.54), (24_000.0, 0.67), (28_500.0, 1.14),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WindConstants:
    """Standard deviations are of one component (east or north), m/s."""

    lasting_sigma_ms: float = 10.0
    lasting_height_m: float = 1_800.0
    lasting_shape: Shape = ((0.0, 1.0),)  # by which it differs with altitude
    unflown_shape: Shape = _CLIMATE  # in its place while layers are ahead that nothing flew through
    unflown_height_m: float = 6_000.0
    fading_sigma_ms: float = 2.6
    fading_height_m: float = 500.0
    fading_time_s: float = 11_000.0
    # slow changes are tall, as tall as what lasts, and the fitted constants know nothing of them: few
    # real flights meet a layer again after 2 h. Their mean square grows from 3 h on by the 2/3 law
    # (earlier, the areas of usual flights would grow), by this much at 6 h: 3.4 m/s an hour for the
    # vector (Merceret 1997), times 1 to 1.6 by height, is 3 to 5
    ageing_sigma_ms: float = 4.75
    known_for_s: float = 10_800.0
    advection_ms: float = 20.0  # of the air that takes a change from one place to another
    near_ground_share: float = 1.3  # by which the fading part grows at the ground
    near_ground_height_m: float = 1_500.0
    aloft_share: float = 0.6  # by which it grows aloft, between these heights above the ground
    aloft_m: tuple[float, float] = (9_000.0, 15_000.0)
    sampling_sigma_ms: float = 1.1  # of the mean over a layer against the wind at the box
    # takes the lasting part's place where there is a forecast: the vector's root mean square error was 2.8 to
    # 4 m/s (Met Office, Performance of UK civil aviation weather forecasts, March 2025), over the root of two
    forecast_sigma_ms: float = 2.5
    forecast_least_ms: float = 2.0  # of it where an ensemble tells its own spread; our choice
    tail_degrees: float = 4.2  # of Student's t: some days' winds change more than others'
    usual_weight: float = 30.0  # of what days are like, against what this flight shows of its own


class Places(NamedTuple):
    """Where the wind is asked for, arrays (n,): `x_m`, `y_m` in the frame, `unrest` by `unrest_by_height`."""

    layer: npt.NDArray[np.int64]
    time_s: Array
    unrest: Array
    x_m: Array
    y_m: Array


def unrest_by_height(layer: npt.NDArray[np.int64], ground_m: float, c: WindConstants) -> Array:
    """How much more the wind changes near the ground (the day's mixing) and aloft (waves), at least 1.

    The share aloft makes the areas at the burst and at 15 km as wide as the landings are apart; the
    wind's change itself, which grows aloft too, asks for less (tests/flight/test_winds.py).
    """
    height_m = np.maximum(CENTRES_M[layer] - ground_m, 0.0)
    low = np.exp(-height_m / c.near_ground_height_m)
    high = np.interp(height_m, c.aloft_m, (0.0, 1.0))
    return np.asarray(1.0 + c.near_ground_share * low + c.aloft_share * high)


def covariance_between(a: Places, b: Places, c: WindConstants) -> Array:
    """Of one component between all of `a`, (n,), and all of `b`, (m,): m²/s², (n, m)."""
    a_m, b_m = CENTRES_M[a.layer], CENTRES_M[b.layer]
    apart_m = np.abs(a_m[:, None] - b_m)
    apart_s2 = (a.time_s[:, None] - b.time_s) ** 2
    for of_a, of_b in ((a.x_m, b.x_m), (a.y_m, b.y_m)):
        apart_s2 += (of_a[:, None] / c.advection_ms - of_b / c.advection_ms) ** 2
    altitude_m, factor = zip(*c.lasting_shape, strict=True)
    sizes = [c.lasting_sigma_ms * np.interp(of_m, altitude_m, factor) for of_m in (a_m, b_m)]
    lasting = np.outer(*sizes) * np.exp(-apart_m / c.lasting_height_m)
    fading = np.exp(-apart_m / c.fading_height_m - np.cbrt(apart_s2 / c.fading_time_s**2))
    fading *= np.outer(c.fading_sigma_ms * a.unrest, c.fading_sigma_ms * b.unrest)
    return np.asarray(lasting + fading)
