"""The westerlies of the middle latitudes: what the wind aloft is before anything has measured it.

Towards east, a mean of the year and a yearly wave with its crest in January (July in the south), by
altitude: fitted by least squares on the 34 days of the shared real flights (tests/data/flights, 35 to 41
degrees north). With the day left out that is judged they halve the root mean square between 9 and 15 km,
from 23 to 25 m/s to 9 to 12. As elsewhere: some 30 m/s at 200 hPa in winter and less than 24 m/s in
summer, easterly in the stratosphere then (S. Lubis, Seasonal Climatology: Zonal Wind, 2012, from
ERA-Interim 1989 to 2007). Winds towards north have no such mean.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from server.flight.landing.wind_covariance import CENTRES_M, WindConstants
from server.flight.landing.winds import Forecasts, WindSamples

Array = npt.NDArray[np.float64]

_ALTITUDE_M: Array = np.array([
    0.0, 2_250.0, 4_000.0, 6_000.0, 8_000.0, 10_000.0, 12_000.0, 14_000.0, 16_000.0, 18_000.0, 20_500.0,
    24_000.0, 28_500.0,
])  # fmt: skip
_YEAR_MS: Array = np.array([0.0, 3.8, 8.5, 11.9, 14.4, 18.8, 22.1, 20.0, 15.0, 7.9, 3.2, 0.0, 0.3])
_WAVE_MS: Array = np.array([0.0, 1.9, 4.0, 6.7, 6.9, 7.7, 8.9, 8.2, 8.0, 7.2, 7.1, 7.8, 10.3])
_CREST_DAY = 20.0  # of the year, in the north
_DAYS, _DAY_S = 365.25, 86_400.0
# from the tropics, where easterlies blow, to the polar vortex: textbook bounds, our choice of the edges
_LATITUDES_DEG, _SHARE = (20.0, 30.0, 55.0, 75.0), (0.0, 1.0, 1.0, 0.0)


def westerly_ms(altitude_m: Array, latitude_deg: float, time_s: float) -> Array:
    """Usual wind towards east at altitudes of shape (n,), at a latitude and UTC seconds: m/s, (n,)."""
    share = float(np.interp(abs(latitude_deg), _LATITUDES_DEG, _SHARE))
    day = math.fmod(time_s / _DAY_S, _DAYS)  # 1970 began with a year
    wave = math.cos(2 * math.pi * (day - _CREST_DAY) / _DAYS)
    if latitude_deg < 0.0:
        wave = -wave
    year_ms, wave_ms = (np.interp(altitude_m, _ALTITUDE_M, of) for of in (_YEAR_MS, _WAVE_MS))
    return np.asarray(share * (year_ms + wave * wave_ms))


def as_season(
    seen: WindSamples,
    layer: npt.NDArray[np.int64],
    latitude_deg: float,
    time_s: float,
    constants: WindConstants,
) -> tuple[Forecasts, WindConstants]:
    """For `winds.profile_about`: the season's winds, and how far a day is from them."""
    c = constants
    usual_ms, calm_ms = westerly_ms(CENTRES_M, latitude_deg, time_s), np.zeros(len(CENTRES_M))
    season = Forecasts(
        (usual_ms[seen.layer], calm_ms[seen.layer]), (usual_ms[layer], calm_ms[layer])
    )
    return season, replace(c, lasting_shape=c.unflown_shape, lasting_height_m=c.unflown_height_m)
