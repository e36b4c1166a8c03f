"""The air of the made flights: U.S. Standard Atmosphere, 1976, up to 47 km.

Written for the rehearsal alone, so that a slip in the predictor's atmosphere shows.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GRAVITY_MS2 = 9.80665
DRY_AIR_J_KG_K = 287.05287
_EARTH_M = 6_356_766.0  # radius for geopotential height (1976, eq. 18)
# base of each layer: geopotential height m, temperature K, lapse rate K/m (1976, table 4)
_LAYERS = (
    (0.0, 288.15, -0.0065),
    (11_000.0, 216.65, 0.0),
    (20_000.0, 216.65, 0.001),
    (32_000.0, 228.65, 0.0028),
)
_TOP_M = 47_000.0
SUTHERLAND_K = 110.4
_VISCOSITY = 1.458e-6  # kg/(m s K^½), 1976, eq. 51


def _base_pressures_pa() -> tuple[float, ...]:
    pressures = [101_325.0]
    for (base_m, base_k, lapse), (top_m, top_k, _) in pairwise(_LAYERS):
        if lapse == 0.0:
            factor = np.exp(-GRAVITY_MS2 * (top_m - base_m) / (DRY_AIR_J_KG_K * base_k))
        else:
            factor = (top_k / base_k) ** (-GRAVITY_MS2 / (DRY_AIR_J_KG_K * lapse))
        pressures.append(pressures[-1] * float(factor))
    return tuple(pressures)


_PRESSURES_PA = _base_pressures_pa()


def temperature_pressure(altitude_m: Array | float) -> tuple[Array, Array]:
    """Temperature in K and pressure in Pa at geometric altitudes (-500 to 47,000 m; held there)."""
    z = np.clip(np.asarray(altitude_m, dtype=float), -500.0, _TOP_M)
    h = _EARTH_M * z / (_EARTH_M + z)
    temperature = np.empty_like(h)
    pressure = np.empty_like(h)
    which = np.clip(np.searchsorted([layer[0] for layer in _LAYERS], h, "right") - 1, 0, None)
    for i, (base_m, base_k, lapse) in enumerate(_LAYERS):
        here = which == i
        above = h[here] - base_m
        temperature[here] = base_k + lapse * above
        if lapse == 0.0:
            ratio = np.exp(-GRAVITY_MS2 * above / (DRY_AIR_J_KG_K * base_k))
        else:
            ratio = (temperature[here] / base_k) ** (-GRAVITY_MS2 / (DRY_AIR_J_KG_K * lapse))
        pressure[here] = _PRESSURES_PA[i] * ratio
    return temperature, pressure


def density(altitude_m: Array | float) -> Array:
    """kg/m³."""
    temperature, pressure = temperature_pressure(altitude_m)
    return pressure / (DRY_AIR_J_KG_K * temperature)


def viscosity(altitude_m: Array | float) -> Array:
    """Dynamic viscosity, Pa s (1976, eq. 51)."""
    temperature, _ = temperature_pressure(altitude_m)
    return _VISCOSITY * temperature**1.5 / (temperature + SUTHERLAND_K)
