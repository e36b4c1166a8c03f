"""Where things are on the WGS 84 ellipsoid: distances, bearings and a flat frame for one flight."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from geographiclib.geodesic import Geodesic

Array = npt.NDArray[np.float64]

SEMI_MAJOR_AXIS_M = 6_378_137.0  # WGS 84 (NIMA TR8350.2)
FLATTENING = 1 / 298.257223563
ECCENTRICITY = math.sqrt(FLATTENING * (2 - FLATTENING))
THIRD_FLATTENING = FLATTENING / (2 - FLATTENING)


def distance_bearing(
    from_latitude_deg: float, from_longitude_deg: float, latitude_deg: float, longitude_deg: float
) -> tuple[float, float]:
    """Geodesic distance in metres and initial bearing in degrees (0 to 360, true north)."""
    line = Geodesic.WGS84.Inverse(
        from_latitude_deg, from_longitude_deg, latitude_deg, longitude_deg
    )
    return float(line["s12"]), float(line["azi1"]) % 360.0


# of the equator and of a frame's meridian, for one place: no pole is in it
_SCALARS_M = 9_500_000.0

# Krueger's series to n^4 (Karney 2011, Transverse Mercator with an accuracy of a few nanometers,
# eq. 14, 35, 36): forward (alpha) and reverse (beta), errors below a micrometre within 1,000 km.
_N = THIRD_FLATTENING
_RECTIFYING_RADIUS_M = SEMI_MAJOR_AXIS_M / (1 + _N) * (1 + _N**2 / 4 + _N**4 / 64)
_ALPHA = (
    _N / 2 - 2 * _N**2 / 3 + 5 * _N**3 / 16 + 41 * _N**4 / 180,
    13 * _N**2 / 48 - 3 * _N**3 / 5 + 557 * _N**4 / 1440,
    61 * _N**3 / 240 - 103 * _N**4 / 140,
    49561 * _N**4 / 161280,
)
_BETA = (
    _N / 2 - 2 * _N**2 / 3 + 37 * _N**3 / 96 - _N**4 / 360,
    _N**2 / 48 + _N**3 / 15 - 437 * _N**4 / 1440,
    17 * _N**3 / 480 - 37 * _N**4 / 840,
    4397 * _N**4 / 161280,
)


@dataclass(frozen=True, slots=True)
class LocalFrame:
    """A transverse Mercator plane in metres about one point: x towards east, y towards north.

    True to scale on the central meridian, 1.0005 at 200 km beside it. Takes scalars or arrays.
    """

    latitude_deg: float
    longitude_deg: float
    _origin_y_m: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_origin_y_m", float(_project(self.latitude_deg, 0.0)[1]))

    def to_xy(self, latitude_deg: Any, longitude_deg: Any) -> tuple[Any, Any]:
        """Metres east and north of the frame's origin."""
        offset_deg = longitude_deg - self.longitude_deg
        alone = isinstance(latitude_deg, float) and isinstance(offset_deg, float)
        x_m, y_m = (_project_one if alone else _project)(latitude_deg, offset_deg)
        return x_m, y_m - self._origin_y_m

    def to_latlon(self, x_m: Any, y_m: Any) -> tuple[Any, Any]:
        """Latitude and longitude in degrees."""
        alone = isinstance(x_m, float) and isinstance(y_m, float)
        latitude_deg, offset_deg = (_unproject_one if alone else _unproject)(
            x_m, y_m + self._origin_y_m
        )
        longitude_deg = (self.longitude_deg + offset_deg + 180.0) % 360.0 - 180.0
        return latitude_deg, longitude_deg

    @property
    def turn_per_m(self) -> float:
        """How much true north turns to the left of the y axis for each metre east, in radians."""
        sine = math.sin(math.radians(self.latitude_deg))
        normal_m = SEMI_MAJOR_AXIS_M / math.sqrt(1.0 - (ECCENTRICITY * sine) ** 2)
        return math.tan(math.radians(self.latitude_deg)) / normal_m

    def convergence_deg(self, latitude_deg: float, longitude_deg: float) -> float:
        """Angle from the frame's y axis to true north, to add to a grid direction (1.4° at 200 km)."""
        offset = math.radians(longitude_deg - self.longitude_deg)
        return math.degrees(math.atan(math.tan(offset) * math.sin(math.radians(latitude_deg))))


def _project(latitude_deg: Any, offset_deg: Any) -> tuple[Any, Any]:
    offset = np.radians((offset_deg + 180.0) % 360.0 - 180.0)
    sine = np.sin(np.radians(latitude_deg))
    conformal = np.sinh(np.arctanh(sine) - ECCENTRICITY * np.arctanh(ECCENTRICITY * sine))
    xi = np.arctan2(conformal, np.cos(offset))
    eta = np.arcsinh(np.sin(offset) / np.hypot(conformal, np.cos(offset)))
    zeta = xi + 1j * eta
    for j, coefficient in enumerate(_ALPHA, start=1):
        zeta = zeta + coefficient * np.sin(2 * j * (xi + 1j * eta))
    return _RECTIFYING_RADIUS_M * zeta.imag, _RECTIFYING_RADIUS_M * zeta.real


def _project_one(latitude_deg: float, offset_deg: float) -> tuple[float, float]:
    """The same for one place: numpy takes ten times as long for it."""
    sine = math.sin(math.radians(latitude_deg)) if abs(latitude_deg) < 90.0 else 1.0
    offset = math.radians((offset_deg + 180.0) % 360.0 - 180.0)
    if abs(sine) >= 1.0 or not math.isfinite(offset):  # at a pole, or nowhere
        x_m, y_m = _project(latitude_deg, offset_deg)
        return float(x_m), float(y_m)
    conformal = math.sinh(math.atanh(sine) - ECCENTRICITY * math.atanh(ECCENTRICITY * sine))
    xi = math.atan2(conformal, math.cos(offset))
    eta = math.asinh(math.sin(offset) / math.hypot(conformal, math.cos(offset)))
    start = complex(xi, eta)
    zeta = start
    for j, coefficient in enumerate(_ALPHA, start=1):
        zeta += coefficient * cmath.sin(2 * j * start)
    return _RECTIFYING_RADIUS_M * zeta.imag, _RECTIFYING_RADIUS_M * zeta.real


def _unproject(x_m: Any, y_m: Any) -> tuple[Any, Any]:
    start = (y_m + 1j * x_m) / _RECTIFYING_RADIUS_M
    zeta = start
    for j, coefficient in enumerate(_BETA, start=1):
        zeta = zeta - coefficient * np.sin(2 * j * start)
    xi, eta = zeta.real, zeta.imag
    conformal = np.sin(xi) / np.hypot(np.sinh(eta), np.cos(xi))
    tangent = conformal
    for _ in range(4):  # Newton on the conformal latitude, Karney 2011 eq. 19 to 21
        root = np.sqrt(1 + tangent * tangent)
        sigma = np.sinh(ECCENTRICITY * np.arctanh(ECCENTRICITY * tangent / root))
        value = tangent * np.sqrt(1 + sigma * sigma) - sigma * root
        slope = (1 + (1 - ECCENTRICITY**2) * tangent * tangent) / ((1 - ECCENTRICITY**2) * root)
        tangent = tangent + (conformal - value) / np.sqrt(1 + value * value) * slope
    return np.degrees(np.arctan(tangent)), np.degrees(np.arctan2(np.sinh(eta), np.cos(xi)))


def _unproject_one(x_m: float, y_m: float) -> tuple[float, float]:
    """The same for one place: numpy takes ten times as long for it."""
    if not (abs(x_m) < _SCALARS_M and abs(y_m) < _SCALARS_M):  # towards a pole, or nowhere
        latitude_deg, offset_deg = _unproject(x_m, y_m)
        return float(latitude_deg), float(offset_deg)
    start = complex(y_m, x_m) / _RECTIFYING_RADIUS_M
    zeta = start
    for j, coefficient in enumerate(_BETA, start=1):
        zeta -= coefficient * cmath.sin(2 * j * start)
    xi, eta = zeta.real, zeta.imag
    conformal = math.sin(xi) / math.hypot(math.sinh(eta), math.cos(xi))
    tangent = conformal
    for _ in range(4):
        root = math.sqrt(1 + tangent * tangent)
        sigma = math.sinh(ECCENTRICITY * math.atanh(ECCENTRICITY * tangent / root))
        value = tangent * math.sqrt(1 + sigma * sigma) - sigma * root
        slope = (1 + (1 - ECCENTRICITY**2) * tangent * tangent) / ((1 - ECCENTRICITY**2) * root)
        tangent += (conformal - value) / math.sqrt(1 + value * value) * slope
    return math.degrees(math.atan(tangent)), math.degrees(math.atan2(math.sinh(eta), math.cos(xi)))
