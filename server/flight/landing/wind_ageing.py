"""What is not known any more of the wind in layers that were met hours ago.

The fitted kernel of `winds` fades to a limit, and what fades is short in height. The wind goes on
changing: the mean square of the change grows with the 2/3 power of time (Merceret 1997, J. Appl. Meteor.
36, 1567: 15 minutes to 4 hours), and slow changes are tall, so that they do not average out on the way
down. After a slow climb, a float or a sink an area without them is too small.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.flight.landing.wind_covariance import CENTRES_M, WindConstants
from server.flight.landing.winds import WindSamples

Array = npt.NDArray[np.float64]


def ageing(
    seen: WindSamples,
    layer: npt.NDArray[np.int64],
    time_s: Array,
    place_m: tuple[Array, Array],
    constants: WindConstants,
) -> Array:
    """What is to be added to the covariance of `profile` for layers last met long ago, shape (m, m)."""
    c = constants
    if len(seen.layer) == 0:
        return np.zeros((len(layer), len(layer)))
    order = np.lexsort((seen.time_s, seen.layer))
    last = order[np.append(np.diff(seen.layer[order]) > 0, True)]
    met_s, x_m, y_m = (
        np.interp(layer, seen.layer[last], column[last])
        for column in (seen.time_s, seen.x_m, seen.y_m)
    )
    away_m = np.hypot(place_m[0] - x_m, place_m[1] - y_m)
    apart_s = np.hypot(time_s - met_s, away_m / c.advection_ms)
    grown = np.maximum(apart_s / c.known_for_s, 1.0) ** (2.0 / 3.0) - 1.0
    sigma_ms = c.ageing_sigma_ms * np.sqrt(grown / (2.0 ** (2.0 / 3.0) - 1.0))
    apart_m = np.abs(CENTRES_M[layer][:, None] - CENTRES_M[layer][None, :])
    return np.asarray(np.outer(sigma_ms, sigma_ms) * np.exp(-apart_m / c.lasting_height_m))
