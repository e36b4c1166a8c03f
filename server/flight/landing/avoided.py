"""The chance that it comes down in an area that nobody wants to land on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.flight.inputs import AvoidArea
from server.flight.landing.area import inside
from server.flight.physics.geodesy import LocalFrame

Array = npt.NDArray[np.float64]

_BOX_DEG = 0.1  # that the frame bends the edges of a box by, at most


def chance_in(avoid: AvoidArea, frame: LocalFrame, x_m: Array, y_m: Array) -> float:
    """The share of the members that come down in an area (even-odd over its rings)."""
    within = np.zeros(len(x_m), dtype=bool)
    wide_x, wide_y = np.array([x_m.min(), x_m.max()]), np.array([y_m.min(), y_m.max()])
    lat, lon = frame.to_latlon(np.repeat(wide_x, 2), np.tile(wide_y, 2))
    for ring in avoid.rings:
        corners = np.array(ring)
        if _apart(corners, lat, lon):
            continue
        ring_x, ring_y = frame.to_xy(corners[:, 1], corners[:, 0])
        within ^= inside(np.column_stack([ring_x, ring_y]), x_m, y_m)
    return float(within.mean())


def _apart(corners: Array, latitude_deg: Array, longitude_deg: Array) -> bool:
    """Whether no place of a box, told by its corners, can lie in a ring of longitude, latitude."""
    low, high = corners[:, 1].min(), corners[:, 1].max()
    if high < latitude_deg.min() - _BOX_DEG or low > latitude_deg.max() + _BOX_DEG:
        return True
    middle = (corners[:, 0].min() + corners[:, 0].max()) / 2.0
    half = (corners[:, 0].max() - corners[:, 0].min()) / 2.0
    away = (longitude_deg - middle + 180.0) % 360.0 - 180.0
    return bool(
        np.ptp(away) < 180.0 and (away.min() > half + _BOX_DEG or away.max() < -half - _BOX_DEG)
    )
