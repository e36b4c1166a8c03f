"""Water vapour and geopotential, by the formulas that the weather services' sounding practice uses.

Sources: WMO-No. 8 (Guide to Instruments and Methods of Observation), annex 4.B, for water vapour: the
Magnus formula with the constants of Sonntag 1990, as Vaisala's AWS330 manual quotes the annex; the same
guide's chapter on the upper air for geopotential height. WGS 84 (NIMA TR8350.2) for gravity.
Bolton 1980 (Mon. Wea. Rev. 108, 1046) for dry air's exponent.
"""

from __future__ import annotations

import math

from server.flight.physics.atmosphere import GRAVITY_MS2

_E0_PA, _A, _B_C = 611.2, 17.62, 243.12  # over water
LOWEST_C, HIGHEST_C = -45.0, 60.0  # the range for which these constants are given
_POISSON, _EPSILON = 0.2854, 0.622
_GAS_J_KG_K, _HEAT_J_KG_K, _LATENT_J_KG = 287.05, 1_005.7, 2.501e6
_WGS84_EQUATOR_MS2 = 9.7803253359
_WGS84_SOMIGLIANA, _WGS84_ECCENTRICITY_SQUARED = 0.00193185265241, 0.00669437999013


def saturation_pressure_pa(temperature_c: float) -> float:
    """Of water vapour over water, also below 0 °C, as radiosondes report humidity."""
    return _E0_PA * math.exp(_A * temperature_c / (_B_C + temperature_c))


def dew_point_c(temperature_c: float | None, humidity_percent: float | None) -> float | None:
    """None without both, and outside of the range of the formula."""
    if temperature_c is None or humidity_percent is None:
        return None
    if not (LOWEST_C <= temperature_c <= HIGHEST_C and 0.0 < humidity_percent <= 110.0):
        return None
    vapour_pa = saturation_pressure_pa(temperature_c) * humidity_percent / 100.0
    log = math.log(vapour_pa / _E0_PA)
    return _B_C * log / (_A - log)


def temperature_on_dry_adiabat_k(potential_k: float, pressure_pa: float) -> float:
    """Poisson's equation; potential temperatures are for 1,000 hPa."""
    return potential_k * math.exp(_POISSON * math.log(pressure_pa / 100_000.0))


def mixing_ratio(vapour_pa: float, pressure_pa: float) -> float:
    """Mass of vapour to mass of dry air, kg/kg."""
    return _EPSILON * vapour_pa / (pressure_pa - vapour_pa)


def dew_point_of_mixing_ratio_c(ratio: float, pressure_pa: float) -> float:
    """Where air with that mixing ratio (kg/kg) is saturated; may lie outside the formula's range."""
    log = math.log(ratio * pressure_pa / (_EPSILON + ratio) / _E0_PA)
    return _B_C * log / (_A - log)


def moist_lapse_k_pa(temperature_k: float, pressure_pa: float) -> float:
    """dT/dp of saturated air whose water falls out (American Meteorological Society's Glossary)."""
    ratio = mixing_ratio(saturation_pressure_pa(temperature_k - 273.15), pressure_pa)
    above = _GAS_J_KG_K * temperature_k + _LATENT_J_KG * ratio
    below = _HEAT_J_KG_K + _LATENT_J_KG**2 * ratio * _EPSILON / (_GAS_J_KG_K * temperature_k**2)
    return above / below / pressure_pa


def normal_gravity_ms2(latitude_deg: float) -> float:
    """On the ellipsoid of WGS 84 (Somigliana's closed formula)."""
    s = math.sin(math.radians(latitude_deg)) ** 2
    return (
        _WGS84_EQUATOR_MS2
        * (1 + _WGS84_SOMIGLIANA * s)
        / math.sqrt(1 - _WGS84_ECCENTRICITY_SQUARED * s)
    )


def geopotential_height_m(altitude_m: float, latitude_deg: float) -> float:
    """Geopotential metres of a geometric altitude above mean sea level."""
    s = math.sin(math.radians(latitude_deg)) ** 2
    radius_m = 6_378_137.0 / (1.006803 - 0.006706 * s)
    return (
        normal_gravity_ms2(latitude_deg)
        / GRAVITY_MS2
        * (radius_m * altitude_m / (radius_m + altitude_m))
    )
