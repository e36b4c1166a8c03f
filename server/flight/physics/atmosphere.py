"""U.S. Standard Atmosphere 1976, by geometric altitude above mean sea level, up to 71 km.

Source: U.S. Standard Atmosphere, 1976 (NOAA, NASA, USAF), table 4 for the layers.
Scalars or arrays in, arrays out; altitudes below -5 km and above 71 km are taken at those limits.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

EARTH_RADIUS_M = 6_356_766.0
GRAVITY_MS2 = 9.80665
GAS_CONSTANT_AIR = 8.31432 / 0.0289644  # J/(kg K), with the 1976 value of R*

_BASE_M = np.array([0.0, 11_000.0, 20_000.0, 32_000.0, 47_000.0, 51_000.0])  # geopotential
_LAPSE_K_M = np.array([-0.0065, 0.0, 0.001, 0.0028, 0.0, -0.0028])
_BASE_K = np.array([288.15, 216.65, 216.65, 228.65, 270.65, 270.65])


def _layer_pressures() -> Array:
    pressures = [101_325.0]
    for i in range(len(_BASE_M) - 1):
        thickness_m = _BASE_M[i + 1] - _BASE_M[i]
        pressures.append(pressures[-1] * _pressure_ratio(thickness_m, _BASE_K[i], _LAPSE_K_M[i]))
    return np.array(pressures)


def _pressure_ratio(above_base_m: Any, base_k: Any, lapse_k_m: Any) -> Any:
    isothermal = np.exp(-GRAVITY_MS2 * above_base_m / (GAS_CONSTANT_AIR * base_k))
    lapse = np.where(lapse_k_m == 0.0, 1.0, lapse_k_m)
    gradient = (1 + lapse * above_base_m / base_k) ** (-GRAVITY_MS2 / (GAS_CONSTANT_AIR * lapse))
    return np.where(lapse_k_m == 0.0, isothermal, gradient)


_BASE_PA = _layer_pressures()


def _state(altitude_m: Any) -> tuple[Array, Array]:
    altitude = np.clip(np.asarray(altitude_m, dtype=float), -5_000.0, 71_000.0)
    geopotential_m = EARTH_RADIUS_M * altitude / (EARTH_RADIUS_M + altitude)
    i = np.clip(np.searchsorted(_BASE_M, geopotential_m, side="right") - 1, 0, len(_BASE_M) - 1)
    above_m = geopotential_m - _BASE_M[i]
    temperature_k = _BASE_K[i] + _LAPSE_K_M[i] * above_m
    pressure_pa = _BASE_PA[i] * _pressure_ratio(above_m, _BASE_K[i], _LAPSE_K_M[i])
    return temperature_k, pressure_pa


def temperature_k(altitude_m: Any) -> Array:
    """Kelvin."""
    return _state(altitude_m)[0]


def pressure_pa(altitude_m: Any) -> Array:
    """Pascal."""
    return _state(altitude_m)[1]


def density_kg_m3(altitude_m: Any) -> Array:
    """Kilograms per cubic metre."""
    kelvin, pascal = _state(altitude_m)
    return np.asarray(pascal / (GAS_CONSTANT_AIR * kelvin))


_STEP_M = 50.0
_TABLE_M = np.arange(-5_000.0, 71_000.0 + _STEP_M, _STEP_M)
_LOG_DENSITY = np.log(density_kg_m3(_TABLE_M))
_LOG_DENSITY_LIST: list[float] = _LOG_DENSITY.tolist()
_MINUS_LOG_PRESSURE = -np.log(pressure_pa(_TABLE_M))


def density_scale_height_m(altitude_m: float) -> float:
    """-rho / (d rho / dz) in metres, from a table in steps of 50 m: 6 to 11 km. For one altitude."""
    i = int((min(max(altitude_m, -4_900.0), 70_800.0) + 5_000.0) / _STEP_M)
    return _STEP_M / (_LOG_DENSITY_LIST[i] - _LOG_DENSITY_LIST[i + 1])


def sqrt_density(altitude_m: float) -> float:
    """Square root of the density in kg/m³ at one altitude, from the table (error below 0.01 %)."""
    position = (min(max(altitude_m, -4_900.0), 70_800.0) + 5_000.0) / _STEP_M
    i = int(position)
    low, high = _LOG_DENSITY_LIST[i], _LOG_DENSITY_LIST[i + 1]
    return float(np.exp(0.5 * (low + (high - low) * (position - i))))


def pressure_altitude_m(pressure: float) -> float:
    """Geometric altitude at which the standard atmosphere has this pressure (Pa)."""
    if not pressure > 0:
        raise ValueError(f"a pressure above 0 Pa was expected, not {pressure}")
    return float(np.interp(-np.log(pressure), _MINUS_LOG_PRESSURE, _TABLE_M))
