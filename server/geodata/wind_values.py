"""What a measured wind may be, how sure a radiosonde's is, and when a file of winds cannot be used."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

LOWEST_M, HIGHEST_M = -500.0, 60_000.0
FASTEST_MS = 150.0
NEAR_S = 48 * 3_600.0  # of an archive's soundings those within so long of the flight are read
# one component, 1 sigma. WMO-No. 8, Guide to Instruments and Methods of Observation, vol. I, ch. 13: what a
# GNSS radiosonde gives is better than 1 m/s; the mean over a layer against the wind at a point is the
# field's own `sampling_sigma_ms`
RADIOSONDE_SIGMA_MS = 1.0
# effective radius of the earth in the U.S. Standard Atmosphere 1976, eq. 18
_EARTH_M = 6_356_766.0


class WindsError(ValueError):
    """A file of winds cannot be used; the message says which and why."""


def altitude_of(geopotential_m: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Geometric altitude (m) of geopotential heights (U.S. Standard Atmosphere 1976, eq. 19)."""
    return np.asarray(_EARTH_M * geopotential_m / (_EARTH_M - geopotential_m))


def components(
    from_deg: npt.NDArray[np.float64], speed_ms: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """East and north of winds that are told by where they blow from."""
    towards = np.radians(from_deg + 180.0)
    return speed_ms * np.sin(towards), speed_ms * np.cos(towards)
